"""What may have put a meter's watts in doubt, and from when to when each was so.

Settings, steps, sessions with a wrong entry on which a slope was reset, slopes changed and not
noted, oval rings. The days between which it began are known, and the first day without it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING

import polars as pl

from models.coaching import DatedAlarm, days_between_which
from models.doubts.documents import CauseKind
from models.metrology import percent_from_ln
from models.records import RING, SIDE_SERVICE, WORK, known_changes, ring_effect, typed_rows

if TYPE_CHECKING:
    from models.fleet import FleetFit
    from models.records import Records

PUTS_RIGHT = (WORK, SIDE_SERVICE, "service", "factory_service")


@dataclass(frozen=True)
class Cause:
    """Something that adds to what a meter shows, from a day between two on.

    until: the first day without it; None: it lasts. size_pct: what it adds; None: not known
    """

    kind: CauseKind
    meter_id: str
    earliest: date
    latest: date
    until: date | None
    size_pct: float | None


@dataclass(frozen=True)
class Past:
    """What happened to meters. changed: days on which slope, setting or work moved each."""

    causes: Mapping[str, Sequence[Cause]]
    changed: Mapping[str, Sequence[date]]


def past_of(found: Records, fleet: FleetFit) -> Past:
    """Return every dated cause of the fleet's meters, and the days that may have ended them."""
    mends = _mends(found)
    rows = [
        *_settings(found),
        *_alarmed(fleet, mends),
        *_unrecorded(found, mends),
        *_rings(found, fleet),
    ]
    of_meter: dict[str, list[Cause]] = {}
    for cause in sorted(rows, key=lambda cause: (cause.earliest, cause.kind)):
        of_meter.setdefault(cause.meter_id, []).append(cause)
    settings = {
        meter: [day for c in causes if c.kind == "setting" for day in (c.earliest, c.until) if day]
        for meter, causes in of_meter.items()
    }
    changed = {m: sorted({*mends.get(m, ()), *settings.get(m, ())}) for m in {*mends, *settings}}
    return Past(of_meter, changed)


def _mends(found: Records) -> dict[str, list[date]]:
    """Return the days on which each meter's slope was set or work was done on it, in order."""
    slopes = found.resets.filter("recorded").select("meter_id", on=pl.col("at").dt.date())
    done = found.data.events.filter(pl.col("event").is_in(PUTS_RIGHT)).select("meter_id", "on")
    days = pl.concat([slopes, done]).drop_nulls().unique().sort("on")
    return {str(meter): part["on"].to_list() for (meter,), part in days.group_by("meter_id")}


def _first(days: Iterable[date], *, since: date) -> date | None:
    return next((day for day in days if day >= since), None)


def _settings(found: Records) -> Iterator[Cause]:
    changes = known_changes(found.meters, found.installations, found.events)
    own = changes.filter(pl.col("kind") == "setting").sort("meter_id", "on")
    for (meter,), part in own.group_by("meter_id", maintain_order=True):
        rows = [*part.select("on", "after").iter_rows(), (None, 0.0)]
        for (on, after), (until, _) in pairwise(rows):
            if after:
                yield Cause("setting", str(meter), on, on, until, percent_from_ln(after))


class _Alarm(DatedAlarm):
    consequence_pct: float | None


def _alarmed(fleet: FleetFit, mends: dict[str, list[date]]) -> Iterator[Cause]:
    """Yield steps that were found, and slopes reset on a session with a wrong entry."""
    told = fleet.alarms.filter(pl.col("device_kind") == "meter")
    for alarm in typed_rows(told, _Alarm):
        meter, on = alarm["device_id"], alarm["date"]
        days = mends.get(meter, [])
        if alarm["kind"] == "step":
            first, last = days_between_which(alarm)
            yield Cause("step", meter, first, last, _first(days, since=last), alarm["size_pct"])
        elif alarm["kind"] == "entry" and alarm["consequence_pct"] is not None:
            later = [day for day in days if day > on]
            until = _first(later, since=on)
            yield Cause("entry", meter, on, on, until, alarm["consequence_pct"])


def _unrecorded(found: Records, mends: dict[str, list[date]]) -> Iterator[Cause]:
    """Yield changes of the slope that nobody noted."""
    hidden = found.resets.filter(~pl.col("recorded")).sort("meter_id", "latest")
    for meter, first, last, size in hidden.select(
        "meter_id", pl.col("earliest").dt.date(), pl.col("latest").dt.date(), "step_pct"
    ).iter_rows():
        yield Cause("reset", meter, first, last, _first(mends.get(meter, []), since=last), size)


def _rings(found: Records, fleet: FleetFit) -> Iterator[Cause]:
    effects = fleet.ride_effects().filter(pl.col("kind") == RING)
    known = dict(effects.select("effect", "mean").iter_rows())
    installed = found.installations.sort("meter_id", "from_date")
    columns = ("from_date", "to_date", "ring_shape")
    for (meter,), part in installed.group_by("meter_id", maintain_order=True):
        rows = [*part.select(columns).iter_rows(), (None, None, None)]
        for (first, last, shape), (following, *_) in pairwise(rows):
            if shape == "oval":
                size = known.get(ring_effect(str(meter)))
                size_pct = None if size is None else percent_from_ln(size)
                yield Cause("ring", str(meter), first, first, following or last, size_pct)
