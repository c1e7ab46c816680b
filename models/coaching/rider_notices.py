"""What the coach is told when a meter begins to show other watts for the same effort.

A reset of the slope, another meter under a rider, a changed setting, a battery swap that moved
the meter, an alarm: from that day watts are not to be compared with earlier ones without the
ledger.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from hashlib import sha256
from itertools import pairwise
from typing import TYPE_CHECKING, TypedDict

import polars as pl

from ingest.schema import confirmed, rider_on
from models.coaching.alarm_notices import NONE, alarm_notices
from models.coaching.documents import Acknowledged, Change, Notice, NoticeRow
from models.coaching.effort_days import Joint
from models.coaching.road import Road, Use
from models.metrology import interval90, percent_from_ln
from models.records import typed_rows

if TYPE_CHECKING:
    from models.fleet import FleetFit

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
    road: Road | None = None,
) -> list[Notice]:
    """Return the notices of a period, newest first.

    In   tables: assignments, events, riders; resets: as from `models.records.slope_chain`, known
         changes of settings among them (without slopes); zero_steps: jumps of the zeros;
         road: with which another meter under a rider is told with legs, rings and chain
    """
    coach = dict(tables["riders"].select("rider_id", "coach").iter_rows())
    rows = [
        *_resets(tables["assignments"], resets, first=first, last=last),
        *_other_meters(fleet, tables["assignments"], road, first=first, last=last),
        *_events(fleet, tables, first=first, last=last),
        *alarm_notices(fleet, tables["assignments"], zero_steps, first=first, last=last),
    ]
    told = list(
        {row["notice_id"]: row for row in (_told(row, coach) for row in rows[::-1])}.values()
    )
    return sorted(told, key=lambda row: (row["from_date"], row["meter_id"]), reverse=True)


def _told(row: Change, coach: Mapping[str | None, str | None]) -> Notice:
    key = f"{row['kind']}|{row['meter_id']}|{row['rider_id']}|{row['from_date']}"
    notice_id = sha256(key.encode()).hexdigest()[:16]
    return {"notice_id": notice_id, "coach": coach.get(row["rider_id"]), **row}


def _shows(change: float) -> str:
    return f"{abs(change):.1f} % {'more' if change > 0 else 'less'}"


def _on(day: date) -> str:
    return f"{day:%A} {day.day} {day:%B %Y}"


def _before(day: date) -> str:
    return f"don't compare with rides before {day.isoformat()} unless both are corrected"


class _Reset(TypedDict):
    meter_id: str
    at: datetime
    step_pct: float | None
    slope_after: float | None
    recorded: bool
    earliest: datetime
    latest: datetime


def _resets(
    assignments: pl.DataFrame, resets: pl.DataFrame, *, first: date, last: date
) -> list[Change]:
    rows: list[Change] = []
    for reset in typed_rows(resets.sort("at"), _Reset):
        day, step = reset["at"].date(), reset["step_pct"]
        if not first <= day <= last or step is None or abs(step) < 0.05:
            continue
        when = f"From {_on(day)}"
        if not reset["recorded"]:
            when = (
                f"From some day between {reset['earliest']:%Y-%m-%d} and {reset['latest']:%Y-%m-%d}"
            )
        setting = reset["slope_after"] is None
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
        return "a setting such as its crank length began to differ from the bike, or was put right"
    return f"its slope was {'reset' if recorded else 'changed and nobody noted it'}"


def _other_meters(
    fleet: FleetFit, assignments: pl.DataFrame, road: Road | None, *, first: date, last: date
) -> list[Change]:
    """Return a change for each rider whose bike or role gets another meter than the one before."""
    known = set(fleet.prepared.devices.meters)
    named = assignments.filter(
        pl.col("rider_id").is_not_null() & pl.col("meter_id").is_in(list(known))
    ).sort("from_date", "meter_id")
    rows = []
    for _, part in named.group_by("rider_id", "role", "bike_id", maintain_order=True):
        days = part.select("rider_id", "meter_id", "from_date").iter_rows()
        for (_, old, _), (rider, new, day) in pairwise(days):
            if old != new and first <= day <= last:
                swapped = [Use(old, day, rider), Use(new, day, rider)]
                joint = (
                    road.rider(swapped)
                    if road
                    else fleet.joint([(("meter", m), day) for m in (old, new)])
                )
                rows.append(_swap_of_meters(joint, old, new, rider=rider, day=day))
    return rows


def _swap_of_meters(joint: Joint, old: str, new: str, *, rider: str, day: date) -> Change:
    change, low, high = _more_shown(joint)
    return {
        "from_date": day,
        "kind": "meter",
        "meter_id": new,
        "rider_id": rider,
        "change_pct": change,
        "interval90_pct": [low, high],
        "text": f"From {_on(day)} {rider} rides {new} instead of {old}: the same effort shows "
        f"{_shows(change)} ({low:+.1f} to {high:+.1f} %); {_before(day)}.",
    }


def _change(fleet: FleetFit, pair: Sequence[tuple[str, date]]) -> tuple[float, float, float]:
    """Return how much more the second meter shows on its day than the first, with its interval."""
    return _more_shown(fleet.joint([(("meter", meter), day) for meter, day in pair]))


def _more_shown(joint: Joint) -> tuple[float, float, float]:
    mean, cov = joint
    sd = math.sqrt(max(0.0, float(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1])))
    change = float(mean[1] - mean[0])
    low, high = interval90(change, sd)
    return percent_from_ln(change), low, high


class _Event(TypedDict):
    meter_id: str
    date: date
    event: str


def _events(
    fleet: FleetFit, tables: Mapping[str, pl.DataFrame], *, first: date, last: date
) -> list[Change]:
    known = fleet.prepared.devices.meters
    events = tables["events"].filter(
        pl.col("meter_id").is_in(known)
        & pl.col("date").is_between(first, last)
        & pl.col("event").is_in([*SETTINGS, "battery_swap"])
        & confirmed()
    )
    rows: list[Change] = []
    for event in typed_rows(events, _Event):
        meter, day = event["meter_id"], event["date"]
        change, low, high = _change(fleet, [(meter, day - DAY), (meter, day)])
        battery = event["event"] == "battery_swap"
        sure = low > 0 or high < 0
        if battery and not (sure and abs(change) >= TELLING_PCT):
            continue
        why = "it has a new battery" if battery else SETTINGS[event["event"]]
        shown = f"the same effort shows {_shows(change)} on {meter} ({low:+.1f} to {high:+.1f} %)"
        if not sure:
            shown = f"the same effort may show other watts on {meter}, by how much is not known yet"
        rows.append(
            {
                "from_date": day,
                "kind": "battery" if battery else "setting",
                "meter_id": meter,
                "rider_id": rider_on(tables["assignments"], meter, day),
                "change_pct": change,
                "interval90_pct": [low, high],
                "text": f"From {_on(day)} {shown}: {why}; {_before(day)}.",
            }
        )
    return rows


def notice_frame(rows: Sequence[Notice]) -> pl.DataFrame:
    """Return notices as a frame of NOTICE_SCHEMA, to be kept with a fit."""
    ends = [row["interval90_pct"] for row in rows]
    return pl.DataFrame(
        [
            {**row, "lo90_pct": low, "hi90_pct": high}
            for row, (low, high) in zip(rows, ends, strict=True)
        ],
        schema=NOTICE_SCHEMA,
    )


def notice_rows(
    frame: pl.DataFrame, seen: Mapping[str, Acknowledged], *, since: date
) -> list[NoticeRow]:
    """Return kept notices from a day on, and who has acknowledged each. seen: by notice_id."""
    ends = pl.concat_list("lo90_pct", "hi90_pct")
    chosen = frame.filter(pl.col("from_date") >= since).with_columns(interval90_pct=ends)
    return [{**row, **acknowledged(seen, row["notice_id"])} for row in typed_rows(chosen, Notice)]


def acknowledged(seen: Mapping[str, Acknowledged], notice_id: str) -> Acknowledged:
    """Return who has acknowledged a notice, and when; None while nobody has."""
    return seen.get(notice_id, {"acknowledged_by": None, "acknowledged_at": None})
