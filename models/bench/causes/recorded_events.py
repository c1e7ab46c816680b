"""What was recorded of a meter between its sessions, and how far it may have moved it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, time, timedelta
from typing import Final, NamedTuple

import polars as pl

from ingest.schema import confirmed

EVENT_STEP_SD: Final[Mapping[str, float]] = {
    "crash": 1.0,
    "service": 0.5,
    "factory_service": 1.0,
    "remount": 0.3,
    "firmware_update": 0.3,
    "crank_change": 0.3,
    "chainring_change": 0.2,
    "setting_change": 1.5,
    "work": 2.0,
    "side_service": 2.0,
    "zero_step": 0.5,
}
"""Usual size (100·ln, one sd) of a possible step of a meter's sensor at a recorded event.

setting_change: one that does not say what was set (2.5 mm of crank length are 1.5 %). work: done
at the bench between two readings of one session. side_service: one side of a pair, which may
have been replaced (half the spread of two new sensors). zero_step: a jump of the zero, never
itself a gain error. crash: one in four moves the sensor, by 2 % as steps do (the odds that alarms
use): a variance of 1 in the mean, until the fleet's own crashes say more."""
BEFORE_ITS_DAY = ("crash",)
"""Events that bring a meter to the bench on the same day; else a session's own work is meant."""


class Happening(NamedTuple):
    """An event from when it counts, and the variance of the step it may have made, (100·ln)²."""

    since: datetime
    variance: float


def happenings(events: pl.DataFrame | None) -> dict[str, list[Happening]]:
    """Return what was recorded of each meter, the newest first.

    events: the table; None: nothing was recorded
    """
    found: dict[str, list[Happening]] = {}
    if events is None:
        return found
    known = events.filter(pl.col("meter_id").is_not_null() & confirmed())
    rows = known.sort("date", descending=True).select("meter_id", "date", "event")
    for meter_id, day, event in rows.iter_rows():
        if event in EVENT_STEP_SD:
            since = datetime.combine(day, time(), UTC)
            if event not in BEFORE_ITS_DAY:
                since += timedelta(days=1)
            found.setdefault(meter_id, []).append(Happening(since, EVENT_STEP_SD[event] ** 2))
    for one in found.values():
        one.sort(reverse=True)
    return found
