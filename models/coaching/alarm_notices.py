"""What the coach is told of a meter's alarms: steps nobody recorded, jumps of the zero, doubts."""

from __future__ import annotations

import math
from datetime import date, datetime
from typing import TYPE_CHECKING, TypedDict

import polars as pl

from ingest.schema import in_force
from models.coaching.documents import Change
from models.metrology import interval90, ln_from_percent
from models.records import STEP_SCHEMA, typed_rows, with_zero_alarms

if TYPE_CHECKING:
    from models.fleet import FleetFit

RPM = 90.0
NONE = pl.DataFrame(schema=STEP_SCHEMA)


def alarm_notices(
    fleet: FleetFit,
    assignments: pl.DataFrame,
    zero_steps: pl.DataFrame,
    *,
    first: date,
    last: date,
) -> list[Change]:
    """Return alarms of meters as notices, one for each who rode when it may have happened.

    In   zero_steps: as from `models.records.zero_steps`
    """
    told = with_zero_alarms(fleet.alarms, zero_steps).filter(pl.col("device_kind") == "meter")
    alone = told.filter(pl.col("kind") == "zero_step").select(meter_id="device_id", _on="latest")
    zeros = zero_steps.with_columns(_on=pl.col("at").dt.date()).join(
        alone, on=["meter_id", "_on"], how="semi"
    )
    found = typed_rows(told.filter(pl.col("kind") != "zero_step"), _Alarm)
    rows = [*map(_of_alarm, found), *map(_of_zero, typed_rows(zeros, _ZeroStep))]
    return [
        {**change, "rider_id": rider}
        for earliest, change in rows
        if earliest <= last and change["from_date"] >= first
        for rider in _riders(assignments, change["meter_id"], earliest, change["from_date"])
    ]


class DatedAlarm(TypedDict):
    """What an alarm of a meter says of when; earliest and latest where its day is not known."""

    device_id: str
    kind: str
    date: date
    earliest: date | None
    latest: date | None
    size_pct: float | None


def days_between_which(alarm: DatedAlarm) -> tuple[date, date]:
    """Return the first and the last day on which it may have happened."""
    return alarm["earliest"] or alarm["date"], alarm["latest"] or alarm["date"]


class _Alarm(DatedAlarm):
    size_nm: float | None
    size_sd_pct: float | None
    text: str


class _ZeroStep(TypedDict):
    meter_id: str
    before: datetime
    at: datetime
    size: float
    unit: str


def _riders(assignments: pl.DataFrame, meter_id: str, earliest: date, latest: date) -> list[str]:
    rows = assignments.filter(pl.col("meter_id") == meter_id, in_force(earliest, latest))
    return sorted(rows["rider_id"].drop_nulls().unique())


def _of_alarm(alarm: _Alarm) -> tuple[date, Change]:
    """Return the first day on which it may have happened, and the notice without a rider."""
    meter = alarm["device_id"]
    earliest, latest = days_between_which(alarm)
    change: Change = {
        "from_date": latest,
        "kind": "doubt",
        "meter_id": meter,
        "rider_id": None,
        "change_pct": None,
        "interval90_pct": [None, None],
        "text": alarm["text"],
    }
    size, sd = alarm["size_pct"], alarm["size_sd_pct"]
    if alarm["kind"] != "step" or size is None or sd is None:
        return earliest, change
    low, high = interval90(ln_from_percent(size), sd)
    change["kind"], change["change_pct"], change["interval90_pct"] = "step", size, [low, high]
    change["text"] = (
        f"From some day between {earliest} and {latest} the same effort shows "
        f"{abs(size):.1f} % {'more' if size > 0 else 'less'} on {meter} ({low:+.1f} to "
        f"{high:+.1f} %): a sudden step that nobody recorded{_and_its_zero(alarm['size_nm'])}; "
        f"don't compare with rides before {earliest} unless both are corrected."
    )
    return earliest, change


def _and_its_zero(size_nm: float | None) -> str:
    return "" if size_nm is None else f", and with it its zero by {_torque(size_nm)}"


def _torque(size_nm: float) -> str:
    """Return a zero offset, and what it is worth in watts whatever is ridden."""
    watts = abs(size_nm) * 2 * math.pi * RPM / 60
    return f"{size_nm:+.2f} N·m, worth {watts:.0f} W at {RPM:.0f} rpm whatever is ridden"


def _of_zero(step: _ZeroStep) -> tuple[date, Change]:
    """Return the first day on which the zero may have jumped, and the notice without a rider."""
    earliest, latest, meter = step["before"].date(), step["at"].date(), step["meter_id"]
    counts = f"{step['size']:+.0f} {step['unit']}"
    size = _torque(step["size"]) if step["unit"] == "N·m" else counts
    return earliest, {
        "from_date": latest,
        "kind": "zero",
        "meter_id": meter,
        "rider_id": None,
        "change_pct": None,
        "interval90_pct": [None, None],
        "text": f"Between {earliest} and {latest} the zero of {meter} jumped by {size}: a ride "
        "begun without zeroing the meter is not to be compared with those before.",
    }
