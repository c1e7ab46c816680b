"""What pages and commands ask of the fleet as a whole and of one meter."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from ingest.recordings import live_results
from ingest.schema import ProblemDocument, document_column, documents_in
from ingest.store import claims_of
from models import bench
from models import status as standing
from models.coaching import NoticeRow, RaceEve, notice_rows, race_eve, race_is_near
from models.metrology import noon
from models.run import known
from models.run.known import Fleet, question, records_and_past, seen_notices, settings_of
from models.status import HistoryDocument, Snapshot, StatusDocument, forecast
from models.wording import NoAnswerError

if TYPE_CHECKING:
    from models.ageing import AgeingDocument
    from models.honesty import HindcastDocument
    from models.run.documents import BenchDocument, MethodDocument, Row

RECENT_NOTICE_DAYS = 28
PAIRS = ("derived_pair_results", "pairs", claims_of("pairs"))
TOLERANCE_PCT = 1.5  # where no meters table says otherwise


class StatusAnswer(StatusDocument):
    """The fleet on a day, with what coaches are told and what can be done before a race."""

    notices: list[NoticeRow]
    race_eve: list[RaceEve]


@question(watts=False, place="model")
def status(fleet: Fleet) -> StatusAnswer:
    """Return the `status` document, with the notices of four weeks and what can be done before
    a race.

    Raise NoAnswerError where the store holds no meters.
    """
    fleet.require()
    snap, stale = fleet.snapshot
    with fleet.store.reading() as db:
        settings = settings_of(db)
        demo = db.setting("today")
        tables = {name: db.frame(name) for name in ("calendar", "assignments")}
        seen = seen_notices(db)
    if snap.meters.is_empty():
        raise NoAnswerError("the store holds no meters yet: load a meters table, or bench sessions")
    day = fleet.day
    target, since = settings.reliability_target, day - timedelta(days=RECENT_NOTICE_DAYS)
    document: StatusAnswer = {
        **standing.status_document(snap, as_of=day, target=target, stale=stale),
        "notices": notice_rows(snap.notices, seen, since=since),
        "race_eve": _race_eve(snap, tables, day),
    }
    if demo and fleet.as_of is None:
        document["today_note"] = f"today is {demo}, the last day of these data"
    return document


def _race_eve(snap: Snapshot, tables: dict[str, pl.DataFrame], day: date) -> list[RaceEve]:
    if not race_is_near(tables["calendar"], today=day):
        return []
    here = snap.meters.filter(~pl.col("gone"))
    ahead = forecast(snap, here["meter_id"].to_list(), as_of=day)
    errors = ahead.mean_pct[:, 0], ahead.sd_pct[:, 0]
    sides = standing.side_forecast(here, ahead.mean_pct, ahead.sd_pct, ahead.days, as_of=day)
    return race_eve(here, errors, tables, snap.alarms, today=day, sides=sides)


@question(watts=False, place="model")
def history(fleet: Fleet, meter_id: str) -> HistoryDocument:
    """Return the `history` document of one meter, its forecast and control charts beside it."""
    prepared = fleet.prepared
    prepared.known(meter_id)
    found, model = prepared.found, prepared.fleet
    instants = known.observed_days(found, meter_id)
    ahead = [noon(found.as_of) + timedelta(days=14 * k) for k in range(53)]
    mean, sd = model.gain_error(("meter", meter_id), [*instants, *ahead])
    every = fleet.kept("adjusted observations", model.adjusted_observations)
    observed = every.filter(pl.col("meter_id") == meter_id)
    n = len(instants)
    limits = known.chart_limits(prepared.settings, known.points_per_season(found)).limits
    tolerance = found.meters.filter(pl.col("meter_id") == meter_id)["tolerance_pct"].item()
    return {
        "meter_id": meter_id,
        "points": standing.curve_points(instants, mean[:n], sd[:n]),
        "observations": standing.observed_points(observed),
        "events": standing.meter_events(found.events, meter_id),
        "resets": standing.slope_resets(found.resets, meter_id),
        "fit": standing.fit_state(model),
        "forecast": standing.curve_points(ahead, mean[n:], sd[n:]),
        "tolerance_pct": tolerance,
        "control": standing.control_points(known.charts_of(observed, limits), limits),
    }


@question(watts=False, place="model")
def meter(fleet: Fleet, meter_id: str) -> Row:
    """Return a meter's row of the roster, also of one that has left; empty if there is none."""
    if fleet.is_empty:
        return {}
    rows = fleet.snapshot[0].meters.filter(pl.col("meter_id") == meter_id)
    return rows.row(0, named=True) if rows.height else {}


@question(watts=False, kept=False, reads=("derived_session_results",))
def bench_sessions(fleet: Fleet, meter_id: str) -> list[Row]:
    """Return the meter's bench sessions as evaluated at the last fit, oldest first."""
    if not fleet.store.exists():
        return []
    with fleet.store.reading() as db:
        mine = db.derived("session_results", meter=meter_id)
    return [] if mine is None else _with_documents(mine, bench.SessionDocument)


@question(kept=False, reads=("derived_comparison_results", *PAIRS))
def comparisons(fleet: Fleet, meter_id: str) -> list[Row]:
    """Return the meter's ride comparisons, oldest first.

    Steady steps as they were evaluated at the last fit, recordings as soon as they were compared.
    """
    if not fleet.store.exists():
        return []
    with fleet.store.reading() as db:
        steps = db.derived("comparison_results", meter=meter_id)
        pairs = db.kept("live pairs", PAIRS, lambda: live_results(db))
    from models.rides import ComparisonDocument

    found: list[Row] = []
    if steps is not None:
        found += steps.filter(pl.col("source") != "recordings").to_dicts()
    if pairs is not None:
        mine = pairs.filter(pl.col("meter_id") == meter_id)
        found += _with_documents(mine, ComparisonDocument)
    return sorted(found, key=lambda row: row["measured_at"])


def _with_documents(rows: pl.DataFrame, declared: type) -> list[Row]:
    """Return the rows, oldest first, each with the keys of its document."""
    rows = rows.sort("measured_at")
    documents: list[Row] = documents_in(rows["document"], declared)
    return [
        row | found for row, found in zip(rows.drop("document").to_dicts(), documents, strict=True)
    ]


@question(watts=False, place="model")
def method(fleet: Fleet) -> MethodDocument:
    """Return how the numbers come about: the fit, its hyperparameters, the drift by group."""
    if fleet.is_empty:
        return {"population": []}
    snap, stale = fleet.snapshot
    about = snap.about()
    settings = fleet.settings
    return {
        "fit": {
            "fitted_at": about["fitted_at"],
            "converged": about["converged"],
            "message": about["message"],
            "seconds": about["seconds"],
            "stale": stale,
        },
        "hyperparameters": about["hyper"],
        "population": snap.population.to_dicts(),
        "observations": _counts_of(snap.weights),
        "charts": known.chart_limits(settings, about["points_per_season"]).table.to_dicts(),
        "diagnostics": {
            "checks": snap.checks.to_dicts(),
            "shares": snap.shares.to_dicts(),
            "detection": snap.detection.to_dicts(),
            "power": snap.power.to_dicts(),
        },
        "false_alarms_per_season": settings.false_alarms_per_season,
    }


def _counts_of(weights: pl.DataFrame) -> list[Row]:
    return (
        weights.group_by("kind")
        .agg(
            n=pl.len(),
            weighed_down=(pl.col("weight") < 0.5).sum(),
            left_out=(pl.col("weight") < 0.05).sum(),
        )
        .sort("kind")
        .to_dicts()
    )


@question(watts=False, place="model")
def ageing(fleet: Fleet) -> AgeingDocument:
    """Return the `ageing` document: how each group and each meter ages, and steps at swaps."""
    from models.ageing import ageing_document

    fleet.require()
    ready = fleet.prepared
    return ageing_document(
        ready.fleet,
        ready.found.meters,
        ready.found.events,
        false_alarms_per_season=ready.settings.false_alarms_per_season,
    )


@question(watts=False, place="long")
def hindcast(fleet: Fleet) -> HindcastDocument:
    """Return the `hindcast` document; kept in the store until its data change, as it takes long."""
    from models.honesty import HindcastDocument
    from models.honesty import hindcast as look_back

    fleet.say("forecasting every past bench session from what was known before it")
    found, known, settings, version = records_and_past(fleet.store, fleet.as_of)
    key = f"{version}|{found.as_of}|{settings}"
    with fleet.store.reading() as db:
        kept = db.derived("hindcast")
    if kept is not None and kept["key"].item() == key:
        return documents_in(kept["document"], HindcastDocument)[0]
    document = look_back(found, known, settings, workers=fleet.workers, progress=fleet.say)
    column = document_column([document], HindcastDocument)
    with fleet.store.writing() as db:
        db.put_derived("hindcast", pl.DataFrame({"key": [key]}).with_columns(column))
    return document


def bench_files(paths: list[Path]) -> tuple[BenchDocument, list[ProblemDocument]]:
    """Return the `bench` document of files, and what could not be read. No store."""
    from ingest.load import read_tables

    read = read_tables(paths)
    if "bench" not in read.frames:
        raise NoAnswerError(
            "no bench table found in what you named: its name begins with 'bench', or it has the "
            "columns session_id, meter_id, measured_at, load, torque_nm"
        )
    results = bench.evaluate_bench(
        read.frames, tolerance_pct=TOLERANCE_PCT, incomplete=frozenset(read.incomplete)
    )
    document: BenchDocument = {"sessions": [bench.session_document(result) for result in results]}
    return document, [problem.document() for problem in read.problems]


@question(watts=False, place="model")
def looked_from(fleet: Fleet) -> date:
    """Fit the fleet as it was known on the day looked from; return the day.

    What is asked of that day afterwards has its answer at once.
    """
    if not fleet.is_empty:
        fleet.kept("adjusted observations", fleet.prepared.fleet.adjusted_observations)
        fleet.say("putting the fleet of that day together")
        fleet.once(status)
    return fleet.day
