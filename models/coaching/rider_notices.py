"""What the coach is told when a meter begins to show other watts for the same effort.

A reset of the slope, another meter under a rider, a changed setting, a battery swap that moved
the meter, an alarm: from that day watts are not to be compared with earlier ones without the
ledger.
"""

from __future__ import annotations

import math
from datetime import date, timedelta
from hashlib import sha256
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl

from ingest.schema import rider_on
from models.coaching.alarm_notices import NONE, alarm_notices
from models.fleet import FleetFit
from models.metrology import interval90, percent_from_ln

TELLING_PCT = 0.3  # a battery's step below this is no news
SETTINGS = {"setting_change": "a setting was changed", "firmware_update": "its firmware changed"}
DAY = timedelta(days=1)
NOTICE_SCHEMA = {
    "notice_id": pl.String,
    "from_date": pl.Date,
    "kind": pl.String,
    "meter_id": pl.String,
    "rider_id": pl.String,
    "coach": pl.String,
    "change_pct": pl.Float64,
    "lo90_pct": pl.Float64,
    "hi90_pct": pl.Float64,
    "text": pl.String,
}


def notices(
    fleet: FleetFit,
    tables: dict[str, pl.DataFrame],
    resets: pl.DataFrame,
    *,
    first: date,
    last: date,
    zero_steps: pl.DataFrame = NONE,
) -> list[dict[str, Any]]:
    """Notices of a period, newest first.

    In   tables: assignments, events, riders; resets: as from `models.records.slope_chain`, known
         changes of settings among them (without slopes); zero_steps: jumps of the zeros
    Out  notice_id (stable, to be acknowledged by), from_date, kind (reset, meter, setting,
         battery, step, zero, doubt), meter_id, rider_id, coach, change_pct (of the watts shown
         for the same effort), interval90_pct (both null where the gain did not change), text
    """
    coach = dict(tables["riders"].select("rider_id", "coach").iter_rows())
    rows = [
        *_resets(tables["assignments"], resets, first=first, last=last),
        *_other_meters(fleet, tables["assignments"], first=first, last=last),
        *_events(fleet, tables, first=first, last=last),
        *alarm_notices(fleet, tables["assignments"], zero_steps, first=first, last=last),
    ]
    told = list(
        {row["notice_id"]: row for row in (_told(row, coach) for row in rows[::-1])}.values()
    )
    return sorted(told, key=lambda row: (row["from_date"], row["meter_id"]), reverse=True)


def _told(row: dict[str, Any], coach: dict[str, str | None]) -> dict[str, Any]:
    key = f"{row['kind']}|{row['meter_id']}|{row['rider_id']}|{row['from_date']}"
    head = {"notice_id": sha256(key.encode()).hexdigest()[:16], "coach": coach.get(row["rider_id"])}
    return head | row


def _shows(change: float) -> str:
    return f"{abs(change):.1f} % {'more' if change > 0 else 'less'}"


def _on(day: date) -> str:
    return f"{day:%A} {day.day} {day:%B %Y}"


def _before(day: date) -> str:
    return f"don't compare with rides before {day.isoformat()} without the correction"


def _resets(
    assignments: pl.DataFrame, resets: pl.DataFrame, *, first: date, last: date
) -> list[dict[str, Any]]:
    rows = []
    for reset in resets.sort("at").iter_rows(named=True):
        day, step = reset["at"].date(), reset["step_pct"]
        if not first <= day <= last or step is None or abs(step) < 0.05:
            continue
        when = f"From {_on(day)}"
        if not reset["recorded"]:
            when = (
                f"From some day between {reset['earliest']:%Y-%m-%d} and {reset['latest']:%Y-%m-%d}"
            )
        setting = reset.get("slope_after", 0.0) is None
        rows.append(
            {
                "from_date": day,
                "kind": "setting" if setting else "reset",
                "meter_id": reset["meter_id"],
                "rider_id": rider_on(assignments, reset["meter_id"], day),
                "change_pct": step,
                "interval90_pct": [step, step],
                "text": f"{when} the same effort shows {_shows(step)} on {reset['meter_id']}: "
                f"{_why(setting, reset['recorded'])}; {_before(day)}.",
            }
        )
    return rows


def _why(setting: bool, recorded: bool) -> str:
    if setting:
        return "what is set in it is no longer what it is mounted on (or is again)"
    return f"its slope was {'set anew' if recorded else 'changed and nobody noted it'}"


def _other_meters(
    fleet: FleetFit, assignments: pl.DataFrame, *, first: date, last: date
) -> list[dict[str, Any]]:
    """A rider whose bike or role gets another meter than the one before."""
    known = set(fleet.prepared.devices.meters)
    named = assignments.filter(
        pl.col("rider_id").is_not_null() & pl.col("meter_id").is_in(list(known))
    ).sort("from_date", "meter_id")
    rows = []
    for (_, _, _), part in named.group_by("rider_id", "role", "bike_id", maintain_order=True):
        pairs = list(part.iter_rows(named=True))
        for old, new in pairwise(pairs):
            day = new["from_date"]
            if old["meter_id"] != new["meter_id"] and first <= day <= last:
                rows.append(_swap_of_meters(fleet, old["meter_id"], new, day))
    return rows


def _swap_of_meters(fleet: FleetFit, old: str, new: dict[str, Any], day: date) -> dict[str, Any]:
    mean, cov = fleet.joint([(("meter", old), day), (("meter", new["meter_id"]), day)])
    change, interval = _change(float(mean[1] - mean[0]), _difference_sd(cov))
    return {
        "from_date": day,
        "kind": "meter",
        "meter_id": new["meter_id"],
        "rider_id": new["rider_id"],
        "change_pct": change,
        "interval90_pct": interval,
        "text": f"From {_on(day)} {new['rider_id']} rides {new['meter_id']} instead of {old}: the "
        f"same effort shows {_shows(change)} ({interval[0]:+.1f} to {interval[1]:+.1f} %); "
        f"{_before(day)}.",
    }


def _difference_sd(cov: np.ndarray) -> float:
    return math.sqrt(max(0.0, float(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1])))


def _change(mean_ln: float, sd_ln: float) -> tuple[float, list[float]]:
    """A change of 100·ln in plain percent, with its 90 % interval."""
    return percent_from_ln(mean_ln), interval90(mean_ln, sd_ln)


def _events(
    fleet: FleetFit, tables: dict[str, pl.DataFrame], *, first: date, last: date
) -> list[dict[str, Any]]:
    known = fleet.prepared.devices.meters
    events = tables["events"].filter(
        pl.col("meter_id").is_in(known)
        & pl.col("date").is_between(first, last)
        & pl.col("event").is_in([*SETTINGS, "battery_swap"])
        & ~pl.col("state").fill_null("confirmed").is_in(["proposed", "rejected"])
    )
    rows = []
    for event in events.iter_rows(named=True):
        meter, day = event["meter_id"], event["date"]
        mean, cov = fleet.joint([(("meter", meter), day - DAY), (("meter", meter), day)])
        change, interval = _change(float(mean[1] - mean[0]), _difference_sd(cov))
        battery = event["event"] == "battery_swap"
        sure = interval[0] > 0 or interval[1] < 0
        if battery and not (sure and abs(change) >= TELLING_PCT):
            continue
        why = "it has a new battery" if battery else SETTINGS[event["event"]]
        shown = (
            f"the same effort shows {_shows(change)} ({interval[0]:+.1f} to {interval[1]:+.1f} %)"
        )
        if not sure:
            shown = "the same effort may show other watts, by how much is not known yet"
        rows.append(
            {
                "from_date": day,
                "kind": "battery" if battery else "setting",
                "meter_id": meter,
                "rider_id": rider_on(tables["assignments"], meter, day),
                "change_pct": change,
                "interval90_pct": interval,
                "text": f"From {_on(day)} on {meter} {shown}: {why}; {_before(day)}.",
            }
        )
    return rows


def notice_frame(rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Notices as a frame of NOTICE_SCHEMA, to be kept with a fit."""
    flat = [
        {name: row.get(name) for name in NOTICE_SCHEMA}
        | dict(zip(("lo90_pct", "hi90_pct"), row["interval90_pct"], strict=True))
        for row in rows
    ]
    return pl.DataFrame(flat, schema=NOTICE_SCHEMA)


def notice_rows(
    frame: pl.DataFrame, seen: dict[str, dict[str, Any]], *, since: date
) -> list[dict[str, Any]]:
    """Kept notices from a day on, and who has acknowledged each.

    seen: notice_id → acknowledged_by, acknowledged_at
    """
    rows = []
    for row in frame.filter(pl.col("from_date") >= since).iter_rows(named=True):
        interval = [row.pop("lo90_pct"), row.pop("hi90_pct")]
        rows.append(row | {"interval90_pct": interval} | acknowledged(seen, row["notice_id"]))
    return rows


def acknowledged(seen: dict[str, dict[str, Any]], notice_id: str) -> dict[str, Any]:
    """Who has acknowledged a notice, and when; nulls while nobody has."""
    return dict(seen.get(notice_id, {"acknowledged_by": None, "acknowledged_at": None}))
