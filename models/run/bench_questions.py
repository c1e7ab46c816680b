"""What the bench page asks: its data, a draft judged, a session saved, corrected, taken back.

A correction puts new rows in the place of the old, which stay on record. Taking the newest entry of
a session back brings the one before again.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import polars as pl

from ingest.load import (
    SESSION_CORRECTED,
    WITH_IT,
    Committed,
    UndoReport,
    commit_rows,
    draft_rows,
    entry_in,
    entry_of,
    replace_session,
    take_back,
)
from ingest.schema import confirmed
from ingest.store import Database, Store, changes_of, claims_of, record
from models import bench
from models.bench import evaluate_bench, session_document
from models.run.documents import (
    BenchRecord,
    Correction,
    EmptyKit,
    HappenedEvent,
    KitOfDay,
    OpenedSession,
    Row,
    Saved,
    SavedSession,
    StoredSession,
)
from models.run.fleet_questions import status
from models.run.known import MECHANIC, Fleet, change, question, settings_of, taken_in, today_of
from models.wording import NoAnswerError

SIDE_TABLES = ("meters", "mass_sets", "places", "installations", "events")
Rows = Sequence[Mapping[str, Any]]
EVENTS = (
    *("battery_swap", "crash", "firmware_update", "remount", "service", "chainring_change"),
    *("crank_change", "other"),
)
RECENT = timedelta(days=14)


@dataclass(frozen=True)
class Side:
    """What a draft is judged against: the side tables, earlier sessions, the day, settings.

    slopes: what every meter was last left with, by the rows themselves; taking_in: while the
    answers are behind, meters with rows that are not in them yet ("measured"), or still are in
    them ("taken back"). hung: all rows of `bench`; forecasts: of the fleet, of today;
    movement: how its meters move; estimates: of mass sets that are off their stamp.
    """

    tables: dict[str, pl.DataFrame]
    sessions: pl.DataFrame | None
    slopes: dict[str, bench.LastSlopes]
    hung: pl.DataFrame
    forecasts: dict[str, bench.Forecast]
    movement: bench.Movement
    estimates: dict[str, bench.SetEstimate]
    taking_in: dict[str, str]
    today: date
    own_today: bool
    tolerance_pct: float
    time_zone: str


def side_of(fleet: Fleet) -> Side:
    """Return what drafts are judged against, read from the store."""
    with fleet.store.reading() as db:
        settings = settings_of(db)
        rows, kept = db.frame("bench"), db.derived("session_results")
        info, courses = db.derived("fit_info"), db.derived("fit_courses")
        devices = db.derived("fit_devices")
        behind = db.data_version() not in taken_in(info)
        today, own_today = today_of(db, settings), bool(db.setting("today"))
        tables = {name: db.frame(name) for name in SIDE_TABLES}
    sessions = None if kept is None else kept.join(rows, on="session_id", how="semi")
    slopes = bench.last_slopes(rows)
    waiting = _taking_in(rows, kept) if behind else {}
    recent = bench.recent_rows(rows, today)
    known = {*waiting, *recent["meter_id"].to_list()}  # a forecast that knows is none
    conventions = dict(tables["meters"].select("meter_id", "slope_convention").iter_rows())
    expected = {
        meter_id: bench.forecast(mean, sd, slopes.get(meter_id, {}), conventions.get(meter_id))
        for meter_id, mean, sd in _course_at(info, courses, today)
        if meter_id not in known
    }
    return Side(
        tables,
        sessions,
        slopes,
        rows,
        expected,
        bench.movement_from(sessions, conventions),
        dict(_sets_off(devices)),
        waiting,
        today,
        own_today,
        settings.tolerance_pct,
        settings.time_zone,
    )


def _sets_off(devices: pl.DataFrame | None) -> Iterator[tuple[str, bench.SetEstimate]]:
    """Yield the mass sets that the store's fit finds surely off their stamp."""
    if devices is None:
        return
    sets = devices.filter(pl.col("device_kind") == "bench")
    for bench_id, mean, sd in sets.select("device_id", "mean_ln", "sd_ln").iter_rows():
        estimate = None if mean is None or sd is None else bench.set_estimate(mean, sd)
        if estimate is not None:
            yield bench_id, estimate


def _course_at(
    info: pl.DataFrame | None, courses: pl.DataFrame | None, day: date
) -> Iterator[tuple[str, float, float]]:
    """Yield each meter's gain error and its sd, 100·ln, on a day, as the store's fit has them."""
    if info is None or courses is None or "origin" not in info.columns:
        return
    days = (day - info["origin"].item()).days
    near = (
        courses.filter((pl.col("days") <= days) & pl.col("sd_ln").is_finite())
        .sort("days")
        .group_by("meter_id")
        .last()
    )
    yield from near.select("meter_id", "mean_ln", "sd_ln").iter_rows()


def _taking_in(rows: pl.DataFrame, kept: pl.DataFrame | None) -> dict[str, str]:
    """Return the meters whose stored sessions are not those of the answers, and how they differ.

    kept: None while there are no answers: none after a first load, or kept by an older program
    """
    if kept is None:
        return {}
    named = rows.select("meter_id", "session_id").unique()
    answered = kept.select("meter_id", "session_id")
    gone = answered.join(named, on="session_id", how="anti")["meter_id"].unique()
    new = named.join(answered, on="session_id", how="anti")["meter_id"].unique()
    return {name: "taken back" for name in gone if name} | {
        name: "measured" for name in new if name
    }


@question(MECHANIC, watts=False, place="model", by_fit=False)
def bench_kit(fleet: Fleet) -> KitOfDay | EmptyKit:
    """Return all that the bench page needs to judge readings by itself; empty without data.

    today is set where the store has a day of its own
    """
    if not fleet.store.exists():
        return {"meters": [], "kinds": {}, "mass_sets": [], "places": [], "today": None}
    side = fleet.once(side_of)
    found = bench.kit(
        side.tables,
        side.sessions,
        _status_rows(fleet),
        on=side.today,
        slopes=side.slopes,
        recent=bench.recent_rows(side.hung, side.today),
        forecasts=side.forecasts,
        movement=side.movement,
        estimates=side.estimates,
    )
    return {**found, "today": side.today.isoformat() if side.own_today else None}


def _status_rows(fleet: Fleet) -> list[Row]:
    """Return the meters' rows of `status`, each with what of it the answers do not hold yet."""
    if fleet.is_empty:
        return []
    waiting = fleet.once(side_of).taking_in
    return [
        {**row, "taking_in": waiting.get(row["meter_id"])} for row in fleet.once(status)["meters"]
    ]


def taking_in(db: Database) -> dict[str, str]:
    """Return the meters whose sessions the answers do not hold yet: "measured" or "taken back"."""
    named = ("meter_id", "session_id")
    return _taking_in(db.frame("bench", only=named), db.derived("session_results", only=named))


@question(MECHANIC, watts=False, kept=False)
def judge_bench(fleet: Fleet, rows: Rows) -> bench.SessionDocument:
    """Return the `bench` document of a draft of one session.

    Raise a UserError for a cell that cannot be used.
    """
    own, side = session_of(rows), fleet.once(side_of)
    draft = draft_rows("bench", rows, zone=side.time_zone)
    day = _day_of(draft, side)
    others = side.hung.filter(pl.col("session_id") != own)
    near = bench.recent_rows(others, day)
    fresh = day >= side.today and others.height == side.hung.height
    kept = side.sessions
    results = evaluate_bench(
        side.tables | {"bench": pl.concat([near, draft], how="diagonal_relaxed")},
        tolerance_pct=side.tolerance_pct,
        earlier=None if kept is None else kept.filter(pl.col("session_id") != own),
        in_order=True,
        movement=side.movement,
        forecasts=side.forecasts if fresh else {},
    )
    judged = [result for result in results if result.session.session_id == own]
    if len(judged) != 1:
        raise NoAnswerError("found rows of several sessions, expected one session at a time")
    document = session_document(judged[0])
    document["findings"] = [*_said_of_set(judged[0], side), *document["findings"]]
    return document


def _said_of_set(result: bench.SessionResult, side: Side) -> Iterator[str]:
    """Yield what the fleet knows of the mass set that hung, if it is off its stamp."""
    bench_id = result.session.bench_id
    estimate = side.estimates.get(bench_id or "")
    hung = [r.expected_nm for r in result.session.readings if r.expected_nm]
    if bench_id is not None and estimate is not None and hung:
        yield str(bench.set_off(bench_id, estimate, hung[0]))


def _day_of(draft: pl.DataFrame, side: Side) -> date:
    """Return the day a draft was measured on, UTC; today where none of its rows says."""
    at = draft["measured_at"].drop_nulls()
    return side.today if at.is_empty() else at.dt.date()[0]


@change("bench session saved", MECHANIC, then="follow")
def save_bench(fleet: Fleet, rows: Rows) -> SavedSession:
    """Load a draft as rows of `bench`, as a file would be; the same again is no second one."""
    session_id = session_of(rows)
    judged = judge_bench(fleet, rows)
    entered = commit_rows(fleet.store, "bench", rows, name=session_id)
    if not entered.already:
        meters = {str(row["meter_id"]) for row in rows if row.get("meter_id")}
        told = f"{session_id}, {', '.join(sorted(meters))}"
        with fleet.store.writing() as db:
            record(db, "bench session saved", told, after=[_filled(row) for row in rows])
    return _saved(session_id, entered, judged)


def _filled(row: Mapping[str, object]) -> dict[str, object]:
    """Return the cells of a row that hold something and are not the same all over the session."""
    same = ("session_id", "meter_id")
    return {name: cell for name, cell in row.items() if cell not in (None, "") and name not in same}


def _saved(session_id: str, entered: Committed, judged: bench.SessionDocument) -> SavedSession:
    return {
        "session_id": session_id,
        "import_id": entered.import_id,
        "already": entered.already,
        "notices": list(entered.notices),
        "document": judged,
    }


@question(MECHANIC, watts=False, reads=("bench", claims_of("bench")))  # corrections are of bench
def opened_session(fleet: Fleet, session_id: str) -> OpenedSession:
    """Return a stored session's rows to correct, where they came from, and earlier corrections.

    Without rows where the store does not hold it (any more).
    """
    with fleet.store.reading() as db:  # once for all that is read of it
        versions = db.versions("bench", where="session_id", among=[session_id])
        entry = entry_in(db, "bench", versions.filter("live")) or (0, False)
        log = changes_of(fleet.store, SESSION_CORRECTED, session_id)
    rows = versions.filter("live").drop("row_id", "live")
    return {
        "session_id": session_id,
        "import_id": entry[0],
        "by_hand": entry[1],
        "rows": [_shown(row) for row in rows.to_dicts()],
        "corrections": [_correction(row) for row in log.iter_rows(named=True)],
    }


def _shown(row: dict[str, Any]) -> dict[str, Any]:
    at: datetime = row["measured_at"]
    return {**row, "measured_at": at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")}


def _correction(row: Mapping[str, Any]) -> Correction:
    return {
        "changed_at": row["changed_at"],
        "who": row["who"],
        "before": json.loads(row["before"]),
        "after": json.loads(row["after"]),
    }


@change(SESSION_CORRECTED, MECHANIC, then="follow")
def correct_bench(fleet: Fleet, rows: Rows) -> SavedSession:
    """Put a session's rows in the place of those stored; the same again changes nothing."""
    session_id = session_of(rows)
    judged = judge_bench(fleet, rows)
    entered = replace_session(fleet.store, "bench", rows, name=session_id)
    return _saved(session_id, entered, judged)


@change("bench session taken back", MECHANIC, then="follow")
def take_back_session(fleet: Fleet, session_id: str) -> UndoReport:
    """Take back a session's newest entry made here; the version before comes again.

    Raise a UserError for a session that came in a file: that is corrected, or its import undone.
    """
    entry = entry_of(fleet.store, "bench", session_id)
    if entry is None:
        raise NoAnswerError(f"there is no session {session_id} any more")
    if not entry[1]:
        raise NoAnswerError(
            f"session {session_id} came with import {entry[0]}, a file: correct it here, or take "
            "the whole import back on the intake page"
        )
    return take_back(fleet.store, entry[0], tables=("bench",))


@change("event noted at the bench", MECHANIC, then="follow")
def save_bench_event(
    fleet: Fleet,
    meter_id: str,
    event: str,
    on: str,
    side: str | None = None,
    note: str | None = None,
    session_id: str | None = None,
) -> Saved:
    """Note one of EVENTS for a meter on a day (ISO), of a side or both; twice a day is once.

    session_id: of the bench session that it was noted with, and goes with
    """
    if event not in EVENTS:
        raise NoAnswerError(f'found event "{event}", expected one of {EVENTS}')
    row = {
        "meter_id": meter_id,
        "date": on,
        "event": event,
        "side": side or None,
        "note": (note or "").strip() or None,
        "state": "confirmed",
    }
    name = " ".join(part for part in (meter_id, on, event, side) if part)
    if session_id:
        name = f"{session_id}{WITH_IT}"
    entered = commit_rows(fleet.store, "events", [row], name=name)
    return {"import_id": entered.import_id, "already": entered.already}


@change("bench entry taken back", MECHANIC, then="follow")
def undo_bench_entry(fleet: Fleet, import_id: int) -> UndoReport:
    """Take back a session or an event that was entered at the bench; return what was done."""
    return take_back(fleet.store, import_id, tables=("bench", "events"))


@question(MECHANIC, watts=False)
def happened_lately(fleet: Fleet) -> list[HappenedEvent]:
    """Return what was noted of meters in the last fortnight, the latest first."""
    if not fleet.store.exists():
        return []
    since = fleet.once(side_of).today - RECENT
    with fleet.store.reading() as db:
        events = db.frame("events")
    rows = events.filter(pl.col("meter_id").is_not_null() & (pl.col("date") >= since) & confirmed())
    shown = rows.sort("date", descending=True).select("meter_id", "event", "date", "side", "note")
    return [
        {**row, "date": row["date"].isoformat()}  # type: ignore[typeddict-item]
        for row in shown.iter_rows(named=True)
    ]


@question(MECHANIC, watts=False, place="model", by_fit=False, waits=True)
def bench_record(fleet: Fleet, session_id: str) -> BenchRecord:
    """Return what a calibration record says: session, inputs, the meter's row of `status`."""
    found = _session(fleet.store, session_id)
    meters = {row["meter_id"]: row for row in _status_rows(fleet)}
    return {**found, "status": meters.get(found["document"]["meter_id"], {})}


def session_of(rows: Rows) -> str:
    """Return the session that all rows name; NoAnswerError for several."""
    named = {str(row.get("session_id") or "") for row in rows}
    if len(named) != 1 or not next(iter(named)):
        raise NoAnswerError("found rows of no or several sessions, expected one session")
    return named.pop()


def _session(store: Store, session_id: str) -> StoredSession:
    """Return one stored session, evaluated again."""
    with store.reading() as db:
        tables = {name: db.frame(name) for name in SIDE_TABLES}
        every = db.frame("bench")
        rows = every.filter(pl.col("session_id") == session_id)
        kept = db.derived("session_results")
        settings = settings_of(db)
    if rows.is_empty():
        raise NoAnswerError(
            f'found session "{session_id}", expected one that the store holds: '
            "`slopewatch bench FILE` lists a table's sessions, a meter's page shows its own"
        )
    first = rows.select(pl.all().drop_nulls().first()).row(0, named=True)
    hung = rows.filter(pl.col("load") == "mass")
    first |= {name: hung[name].max() for name in ("mass_kg", "hanger_mass_kg")}
    near = bench.recent_rows(every, first["measured_at"].date())
    results = evaluate_bench(
        tables | {"bench": near},
        tolerance_pct=settings.tolerance_pct,
        earlier=kept,
        in_order=True,
    )
    result = next(found for found in results if found.session.session_id == session_id)
    gravity = result.session.gravity
    return {
        "document": session_document(result),
        "entered": {name: first[name] for name in ENTERED},
        "crank_length_mm": result.session.crank_length_mm,
        "gravity": {"value_ms2": gravity.value_ms2, "source": gravity.source},
        "mass_set": _row(tables["mass_sets"], "bench_id", result.session.bench_id),
        "meter": _row(tables["meters"], "meter_id", result.session.meter_id),
        "workshop": result.session.workshop,
    }


ENTERED = (
    *("bench_id", "place_id", "technician", "temperature_c", "soak_min", "measured_at"),
    *("mass_kg", "hanger_mass_kg", "loading_path", "cog_teeth"),
    *(f"slope_{when}{side}" for when in ("before", "after") for side in ("", "_left", "_right")),
)


def _row(frame: pl.DataFrame, key: str, value: str | None) -> Row:
    found = frame.filter(pl.col(key) == value) if value is not None else frame.clear()
    return found.row(0, named=True) if found.height else {}
