"""What the coach is told of a meter's alarms: steps nobody recorded, jumps of the zero, doubts."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

import polars as pl

from ingest.schema import in_force
from models.fleet import FleetFit, alarm_year
from models.metrology import date_of, interval90, ln_from_percent
from models.records import STEP_SCHEMA

RPM = 90.0
NONE = pl.DataFrame(schema=STEP_SCHEMA)


def alarm_notices(
    fleet: FleetFit,
    assignments: pl.DataFrame,
    zero_steps: pl.DataFrame,
    *,
    first: date,
    last: date,
) -> list[dict[str, Any]]:
    """Alarms of meters as notices, one for each rider who rode the meter when it may have happened.

    In   zero_steps: as from `models.records.zero_steps`
    Out  from_date (the alarm's), kind (step, zero, doubt), meter_id, rider_id, change_pct and
         interval90_pct (nulls where it is no change of the gain), text
    """
    rows = [
        *(_of_alarm(alarm, _began(fleet, alarm)) for alarm in _of_meters(fleet)),
        *(_of_zero(step) for step in zero_steps.iter_rows(named=True)),
    ]
    return [
        _notice(row) | {"rider_id": rider}
        for row in rows
        if row["earliest"] <= last and row["from_date"] >= first
        for rider in _riders(assignments, row["meter_id"], row["earliest"], row["from_date"])
    ]


def _notice(row: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if name != "earliest"}


def _of_meters(fleet: FleetFit) -> list[dict[str, Any]]:
    return fleet.alarms.filter(pl.col("device_kind") == "meter").to_dicts()


def _began(fleet: FleetFit, alarm: dict[str, Any]) -> tuple[date, date]:
    """The days between which an alarm's step happened; else its own day, twice."""
    for effect in fleet.effects:
        same = (effect.kind, effect.device_kind, effect.device) == ("step", "meter", _id(alarm))
        if alarm["kind"] == "step" and same and date_of(alarm_year(effect)) == alarm["date"]:
            return date_of(effect.since), date_of(effect.at)
    return alarm["date"], alarm["date"]


def _id(alarm: dict[str, Any]) -> str:
    return str(alarm["device_id"])


def _riders(assignments: pl.DataFrame, meter_id: str, earliest: date, latest: date) -> list[str]:
    rows = assignments.filter(pl.col("meter_id") == meter_id, in_force(earliest, latest))
    return sorted(rows["rider_id"].drop_nulls().unique())


def _of_alarm(alarm: dict[str, Any], days: tuple[date, date]) -> dict[str, Any]:
    earliest, latest = days
    row = {"meter_id": _id(alarm), "earliest": earliest, "from_date": latest}
    if alarm["kind"] != "step":
        nothing = {"change_pct": None, "interval90_pct": [None, None]}
        return row | nothing | {"kind": "doubt", "text": alarm["text"]}
    middle, sd = ln_from_percent(alarm["size_pct"]), alarm["size_sd_pct"]
    low, high = interval90(middle, sd)
    side = "more" if middle > 0 else "less"
    return row | {
        "kind": "step",
        "change_pct": alarm["size_pct"],
        "interval90_pct": [low, high],
        "text": f"From some day between {earliest} and {latest} the same effort shows "
        f"{abs(alarm['size_pct']):.1f} % {side} on {_id(alarm)} ({low:+.1f} to {high:+.1f} %): a "
        f"sudden step that nobody recorded; don't compare with rides before {earliest} without "
        "the correction.",
    }


def _of_zero(step: dict[str, Any]) -> dict[str, Any]:
    earliest, latest, meter = step["before"].date(), step["at"].date(), step["meter_id"]
    size = f"{step['size']:+.2f} {step['unit']}"
    if step["unit"] == "N·m":
        watts = abs(step["size"]) * 2 * math.pi * RPM / 60
        size += f", worth {watts:.0f} W at {RPM:.0f} rpm whatever is ridden"
    return {
        "meter_id": meter,
        "earliest": earliest,
        "from_date": latest,
        "kind": "zero",
        "change_pct": None,
        "interval90_pct": [None, None],
        "text": f"Between {earliest} and {latest} the zero of {meter} jumped by {size}: a ride "
        "begun without zeroing the meter is not to be compared with those before.",
    }
