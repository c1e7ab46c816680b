"""What the riders pages and a coach's commands ask: who rides what, what an effort was worth."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from ingest.schema import newest_in_force
from ingest.store import record
from models import coaching
from models.coaching import EffortAsk as EffortAsk
from models.coaching import effort_ask as effort_ask
from models.run.documents import CorrectedFiles, RiderRow, Row
from models.run.fleet_questions import status
from models.run.known import (
    ACKNOWLEDGED,
    COACH,
    MANAGER,
    MECHANIC,
    OWN_RIDERS_ONLY,
    Fleet,
    Prepared,
    change,
    question,
    seen_notices,
)
from models.status import fit_state
from models.wording import NoAnswerError, unknown_name

TOLD = ("status", "gain_error_pct", "interval90_pct", "p_within_tolerance", "tolerance_pct")
MOST_EFFORTS = 8
NOTICE_DAYS = 365
NOTICE_ID = re.compile("[0-9a-f]{16}")


@question(COACH, place="model")
def riders(fleet: Fleet) -> list[RiderRow]:
    """Return a row a rider: rider_id, coach, left (day), `meters` ridden on the day."""
    if fleet.is_empty:
        return []
    standing = fleet.once(status)
    known = {row["meter_id"]: row for row in standing["meters"]}
    day = fleet.day
    with fleet.store.reading() as db:
        listed, assignments = db.frame("riders"), db.frame("assignments")
    now = newest_in_force(assignments, day)
    shown = _shown_now(fleet, now, known)
    named = assignments["rider_id"].drop_nulls().unique().to_list()
    about = {row["rider_id"]: row for row in listed.to_dicts()}
    return [
        _rider_row(name, about.get(name, {}), now, known, shown)
        for name in sorted({*about, *named})
    ]


_Shown = Mapping[tuple[str, str | None], Row]


def _shown_now(fleet: Fleet, now: pl.DataFrame, known: Mapping[str, Mapping[str, Any]]) -> _Shown:
    """Return what each meter shows under who rides it, and how far its watts are the rider's."""
    ready, day = fleet.prepared, fleet.day
    meters = set(ready.found.meters["meter_id"]) & set(known)
    uses = [
        coaching.Use(meter, day, rider)
        for meter, rider in now.select("meter_id", "rider_id").iter_rows()
        if meter in meters
    ]
    rows, target = coaching.shown_of(road_of(ready), uses), fleet.settings.reliability_target
    return {
        (use.device_id, use.rider_id): {
            **row,
            "watts_status": coaching.watts_status(
                known[use.device_id]["status"],
                row,
                known[use.device_id]["tolerance_pct"],
                target,
            ),
        }
        for use, row in zip(uses, rows, strict=True)
    }


def _rider_row(
    name: str,
    about: Row,
    now: pl.DataFrame,
    known: Mapping[str, Mapping[str, Any]],
    shown: _Shown,
) -> RiderRow:
    mine = now.filter(pl.col("rider_id") == name).to_dicts()
    return {
        "rider_id": name,
        "coach": about.get("coach"),
        "left": about.get("to_date"),
        "meters": [
            {
                "meter_id": row["meter_id"],
                "bike_id": row["bike_id"],
                "role": row["role"],
                "since": row["from_date"],
                **{key: known[row["meter_id"]].get(key) for key in TOLD},
                **shown.get((row["meter_id"], name), {}),
            }
            for row in mine
            if row["meter_id"] in known
        ],
    }


@question(COACH, place="long")
def rider(fleet: Fleet, rider_id: str) -> coaching.RiderDocument:
    """Return one rider on a day.

    periods (each with points and resets), bikes (pairs of the meters ridden that day), efforts,
    notices (of the last year; `notices_read` tells who has read which)
    """
    ready = fleet.prepared
    found, today = ready.found, ready.found.as_of
    fleet.say(f"drawing what {rider_id} has ridden")
    periods = coaching.riding_periods(
        ready.tables["assignments"],
        found.meters["meter_id"].to_list(),
        rider_id=rider_id,
        today=today,
    )
    ridden_now = newest_in_force(ready.tables["assignments"], today)
    mine = ridden_now.filter(pl.col("rider_id") == rider_id)["meter_id"].to_list()
    now = [period["meter_id"] for period in periods if period["meter_id"] in mine]
    told = _notices(ready, today - timedelta(days=NOTICE_DAYS), today, {})
    road, days, ridden = road_of(ready), _days(ready), list(dict.fromkeys(now))
    return {
        "rider_id": rider_id,
        "as_of": today,
        "periods": [
            coaching.period_curve(ready.fleet, found.resets, period, today=today)
            for period in periods
        ],
        "reads": coaching.readings(road, ridden, rider_id=rider_id, on=today),
        "bikes": coaching.between_meters(road, days, ridden, rider_id=rider_id, on=today),
        "efforts": coaching.efforts_of(ready.tables["efforts"], rider_id=rider_id, today=today),
        "notices": [notice for notice in told if notice["rider_id"] == rider_id],
    }


@question(COACH, place="model")
def effort(
    fleet: Fleet, asked: Sequence[EffortAsk], *, carry_to: Sequence[str] = ()
) -> coaching.EffortDocument:
    """Return the `effort` document; carry_to: meters that the watts are to be carried to."""
    zone = fleet.settings.time_zone
    asked_about = [coaching.effort_of(one, zone) for one in asked]
    ready = fleet.prepared
    meters = set(ready.found.meters["meter_id"])
    efforts = [replace(one, has_zero=one.device_id in meters) for one in asked_about]
    targets = [coaching.Carry(name, ready.found.as_of) for name in carry_to]
    _check_efforts(ready, efforts, targets)
    road = road_of(ready)
    ridden = [road.use(one.device_id, one.at) for one in efforts]
    who = {use.rider_id for use in ridden}
    taken = [coaching.Use(t.meter_id, t.on, *(who if len(who) == 1 else [None])) for t in targets]
    days = _days(ready)
    sensor, rider = (
        _with_days(days, efforts, targets, joint)
        for joint in (road.sensor([*ridden, *taken]), road.rider([*ridden, *taken]))
    )
    document = coaching.answer(efforts, sensor, rider)
    document["efforts"] = [
        coaching.with_both_legs(row, use.rider_id) if road.sees_left_only(use.device_id) else row
        for use, row in zip(ridden, document["efforts"], strict=True)
    ]
    return {
        **document,
        "carried": coaching.carried(efforts, targets, sensor, rider),
        "notes": _effort_notes(ready, efforts, days, road.unknown([*ridden, *taken])),
        "fit": fit_state(ready.fleet),
    }


def road_of(ready: Prepared) -> coaching.Road:
    """Return the fleet of a day as riders ride it."""
    found = ready.found
    return coaching.Road(
        ready.fleet, found.meters, found.installations, ready.tables["assignments"]
    )


def _days(ready: Prepared) -> coaching.Days:
    """Return what a ride's day adds, as the fleet's own records have it."""
    found = ready.found
    zeros = ready.tables["zeros"].filter(pl.col("measured_at").dt.date() <= found.as_of)
    return coaching.days_of(ready.fleet, found.meters, found.comparisons, zeros)


def _with_days(
    days: coaching.Days,
    efforts: Sequence[coaching.Effort],
    targets: Sequence[coaching.Carry],
    joint: coaching.Joint,
) -> coaching.Joint:
    """Return what efforts, then targets, show over the truth, with what their days add."""
    n = len(efforts)
    shift, spread = coaching.day_parts(efforts, days)
    mean, covariance = days.on_rides([*[""] * n, *(t.meter_id for t in targets)], joint)
    mean = np.concatenate([mean[:n] + shift, mean[n:]])
    covariance[:n, :n] += spread
    return mean, covariance


def _effort_notes(
    ready: Prepared,
    efforts: Sequence[coaching.Effort],
    days: coaching.Days,
    unknown: Sequence[str],
) -> list[str]:
    notes = list(unknown)
    unsaid = [one.device_id for one in efforts if one.zeroed is None and one.has_zero]
    if unsaid:
        torque = max(days.unzeroed_nm(name) for name in unsaid)
        watts = coaching.at_usual_rpm(torque)
        notes.append(
            "Whether the meters were zeroed is not said, so they count as not zeroed: by the "
            f"zeros there are, an offset of {torque:.2f} N·m is usual, {watts:.1f} W "
            "at 90 rpm, whatever is ridden. Say it with each effort: what was zeroed is known "
            "better."
        )
    if any(one.at.date() > ready.found.as_of for one in efforts):
        notes.append(_ahead(ready.found.as_of))
    return notes + coaching.open_days(efforts, ready.fleet.steps_between())


def _ahead(today: date) -> str:
    return f"What lies after {today} is a forecast: no visit, battery or knock after it is known."


def _check_efforts(
    ready: Prepared, efforts: Sequence[coaching.Effort], targets: Sequence[coaching.Carry]
) -> None:
    service = dict(ready.found.meters.select("meter_id", "in_service_on").iter_rows())
    references = ready.found.data.references["reference_id"].to_list()
    for name in [one.device_id for one in efforts] + [one.meter_id for one in targets]:
        if name not in service and name not in references:
            raise NoAnswerError(unknown_name(name, [*service, *references]))
    for one in efforts:
        if one.device_id in service and one.at.date() < service[one.device_id]:
            raise NoAnswerError(
                f"{one.device_id} came into service on {service[one.device_id]}; "
                f"the effort of {one.at.date()} was before that"
            )


@dataclass(frozen=True)
class Period:
    """A meter or a rider, from a day to a day, both included."""

    first: date
    last: date
    meter_id: str | None = None
    rider_id: str | None = None


@question(COACH, place="model")
def ledger(
    fleet: Fleet,
    first: date,
    last: date,
    *,
    meter_id: str | None = None,
    rider_id: str | None = None,
) -> coaching.LedgerDocument:
    """Return the `correct` document of a meter or a rider over a period.

    The ledger of correction factors, both days included, and what it lacks.
    """
    ready = fleet.prepared
    spans, notes = _ridden(ready, Period(first, last, meter_id, rider_id))
    road, found = road_of(ready), ready.found
    uses = [
        coaching.Use(span.meter_id, at, span.rider_id) for span in spans for at in span.instants()
    ]
    days, meters = _days(ready), [use.device_id for use in uses]
    sensor, rider = (days.on_rides(meters, j) for j in (road.sensor(uses), road.rider(uses)))
    return {
        "ledger": coaching.rows(spans, sensor, rider),
        "applied_in": "ledger",
        "warnings": coaching.corrected_elsewhere(spans, found.resets, ready.tables["events"]),
        "notes": [*notes, *road.unknown(uses)],
        "fit": fit_state(ready.fleet),
    }


def _ridden(ready: Prepared, asked: Period) -> tuple[list[coaching.Span], list[str]]:
    """Return who rode what in a period, cut where the factor changes."""
    if asked.last < asked.first:
        raise NoAnswerError(
            f"the period ends on {asked.last}, before it begins on {asked.first}: turn them round"
        )
    asked, notes = _in_service(ready, asked)
    spans = coaching.ridden(
        ready.tables["assignments"],
        first=asked.first,
        last=asked.last,
        meter_id=asked.meter_id,
        rider_id=asked.rider_id,
    )
    known = set(ready.found.meters["meter_id"])
    spans = [span for span in spans if span.meter_id in known]
    spans = coaching.cut(spans, ready.found.course, ready.fleet.steps_between())
    if not spans:
        raise NoAnswerError(_no_spans(ready, asked))
    return spans, notes


def _in_service(ready: Prepared, asked: Period) -> tuple[Period, list[str]]:
    """Return the part of the period in which the meter asked about is in service."""
    notes = [_ahead(ready.found.as_of)] if asked.last > ready.found.as_of else []
    if asked.meter_id is None:
        return asked, notes
    ready.known(asked.meter_id)
    meters = ready.found.meters
    start = meters.filter(pl.col("meter_id") == asked.meter_id)["in_service_on"].item()
    if asked.last < start:
        raise NoAnswerError(
            f"{asked.meter_id} came into service on {start}, after the period's end"
        )
    if asked.first < start:
        notes.append(f"{asked.meter_id} came into service on {start}: the ledger begins there.")
    return replace(asked, first=max(asked.first, start)), notes


def assigned(ready: Prepared) -> list[str]:
    """Return the riders whom the assignments name."""
    return ready.tables["assignments"]["rider_id"].drop_nulls().unique().sort().to_list()


def _no_spans(ready: Prepared, asked: Period) -> str:
    riders = assigned(ready)
    if asked.rider_id is not None and riders and asked.rider_id not in riders:
        return unknown_name(asked.rider_id, riders, what="rider")
    return (
        f"rider {asked.rider_id} has no meter assigned between {asked.first} and {asked.last}: "
        "load an assignments table that says who rides what, or ask for a meter"
    )


def correct_recordings(
    fleet: Fleet, document: coaching.LedgerDocument, *, recordings: Path, out: Path
) -> tuple[Path, CorrectedFiles]:
    """Write corrected summaries of a folder of recordings into another; they stay untouched.

    In   document: of `correct`
    Out  the file written; files, corrected (how many have a factor), notes (why others have none)
    """
    from ingest.readers import RecordingError
    from ingest.recordings import corrected_summaries, folder_summaries, write_corrected

    with fleet.store.reading() as db:
        meters, references = db.frame("meters"), db.frame("references")
        zone = str(db.setting("time_zone"))
    try:
        found = folder_summaries(recordings, time_zone=zone)
        rows = corrected_summaries(found, meters, references, document["ledger"], time_zone=zone)
        file = write_corrected(rows, out)
    except RecordingError as problem:
        raise NoAnswerError(str(problem)) from problem
    without = rows.filter(pl.col("factor").is_null()).select("path", "note").to_dicts()
    done = rows.filter(pl.col("factor").is_not_null()).height
    return file, {"file": str(file), "files": found.height, "corrected": done, "without": without}


@question(COACH, place="model")
def notices(
    fleet: Fleet, first: date | None = None, last: date | None = None
) -> list[coaching.NoticeRow]:
    """Return the notices to coaches of a period (else of the last year), newest first.

    Each with who has read it.
    """
    today = fleet.prepared.found.as_of
    last = min(last or today, today)
    first = first or last - timedelta(days=NOTICE_DAYS)
    return _notices(fleet.prepared, first, last, notices_read(fleet))


@question(COACH)
def notices_read(fleet: Fleet) -> dict[str, coaching.Acknowledged]:
    """Return who has read which notice, and when: acknowledged_by and acknowledged_at by its id.

    A coach is told of notices about the own riders.
    """
    with fleet.store.reading() as db:
        seen = seen_notices(db)
    mine = _own_notices(fleet)
    return seen if mine is None else {name: seen[name] for name in seen if name in mine}


def _own_notices(fleet: Fleet) -> frozenset[str] | None:
    """Return the notices about a coach's own riders, by their ids; None: all are the person's."""
    if fleet.person.role not in OWN_RIDERS_ONLY:
        return None
    told, day = fleet.snapshot[0].notices, fleet.day
    with fleet.store.reading() as db:
        own = db.query("people/riders_of_coach", coach=fleet.person.coach, today=day.isoformat())
    mine = told.filter(pl.col("rider_id").is_in(own["rider_id"].implode()))
    return frozenset(mine["notice_id"].to_list())


def _notices(
    ready: Prepared, first: date, last: date, seen: Mapping[str, coaching.Acknowledged]
) -> list[coaching.NoticeRow]:
    found = ready.found
    rows = coaching.notices(
        ready.fleet,
        found.told,
        found.course,
        first=first,
        last=last,
        zero_steps=found.zero_steps,
        road=road_of(ready),
    )
    return [{**row, **coaching.acknowledged(seen, row["notice_id"])} for row in rows]


@change("notice acknowledged", COACH)
def acknowledge_notice(fleet: Fleet, notice_id: str, *, rider_id: str | None = None) -> None:
    """Note that whoever asks has read a notice, about a rider; a second time changes nothing.

    Raise NoAnswerError for an id that is no notice's, or of none about a coach's own riders.
    """
    mine = _own_notices(fleet)
    if not NOTICE_ID.fullmatch(notice_id) or (mine is not None and notice_id not in mine):
        raise NoAnswerError("there is no such notice about your riders.")
    with fleet.store.writing() as db:
        if notice_id not in seen_notices(db):
            about = None if rider_id is None else f"about rider {rider_id}"
            record(db, ACKNOWLEDGED, notice_id, after=about)


@question(MECHANIC, COACH, MANAGER, place="long")
def handover(fleet: Fleet, rider_id: str) -> coaching.HandoverDocument:
    """Return what a leaving rider hands back, and what the numbers need to go on."""
    ready = fleet.prepared
    mine = ready.tables["assignments"].filter(pl.col("rider_id") == rider_id)
    begun = [day for day in mine["from_date"].to_list() if day <= ready.found.as_of]
    if not begun:
        riders = assigned(ready)
        if not riders:
            raise NoAnswerError("no assignments: load a table that says who rides what")
        raise NoAnswerError(unknown_name(rider_id, riders, what="rider"))
    first, today = min(begun), ready.found.as_of
    factors = ledger(fleet, first, today, rider_id=rider_id)
    return coaching.handover_report(
        ready.fleet,
        ready.tables,
        ready.found.meters,
        factors["ledger"],
        rider_id=rider_id,
        told=_notices(ready, first, today, {}),
        today=today,
    )
