"""What a store can tell: its fleet today, a meter's history, how the numbers come about.

Also the whole of what the screens and the command line ask; the parts are `run_fit` (from the
store to a fit), `run_decisions` (from a fit to decisions).
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from ingest.recordings import live_results
from ingest.schema import ProblemDocument
from ingest.store import Store
from models import status as documents
from models.bench import evaluate_bench, session_document
from models.coaching import NoticeRow, RaceEve, notice_rows, race_eve, race_is_near
from models.metrology import noon
from models.run import pipeline
from models.run.decisions import (
    Period,
    budget,
    budget_of,
    correct,
    correct_of,
    correct_recordings,
    effort,
    effort_of,
    hindcast,
    plan_of,
    policies,
    policies_of,
)
from models.run.fit_of_day import (
    Prepared,
    Say,
    fit_state,
    fit_state_in,
    prepare,
    refit,
    seen_notices,
    settings_of,
    snapshot,
    tables_of,
    today_of,
)
from models.status import Snapshot, forecast
from models.wording import NothingToSayError

__all__ = [
    "Period",
    "Prepared",
    "bench_files",
    "budget",
    "budget_of",
    "build_demo",
    "comparison_documents",
    "correct",
    "correct_of",
    "correct_recordings",
    "documents_of",
    "effort",
    "effort_of",
    "fit_state",
    "fit_state_in",
    "hindcast",
    "history",
    "history_of",
    "is_empty",
    "measured",
    "method",
    "plan_of",
    "policies",
    "policies_of",
    "prepare",
    "refit",
    "session_documents",
    "settings_of",
    "snapshot",
    "status",
    "tables_of",
    "today_of",
    "version",
]

RECENT_NOTICE_DAYS = 28
TOLERANCE_PCT = 1.5  # where no meters table says otherwise


class StatusAnswer(documents.StatusDocument):
    """The fleet on a day, with what coaches are told and what can be done before a race."""

    notices: list[NoticeRow]
    race_eve: list[RaceEve]


def status(
    store: Store,
    *,
    as_of: date | None = None,
    say: Say | None = None,
    ready: Callable[[], Prepared] | None = None,
) -> StatusAnswer:
    """The `status` document, with the notices of four weeks and what can be done before a race.

    ready: gives the fleet of the day (as `prepare` does) where the stored fit does not serve, for
    who has it already
    """
    snap, stale = snapshot(store, as_of=as_of, say=say, ready=ready)
    with store.reading() as db:
        settings = settings_of(db)
        today, demo = today_of(db, settings), db.setting("today")
        tables = {name: db.frame(name) for name in ("calendar", "assignments")}
        seen = seen_notices(db)
    if snap.meters.is_empty():
        raise NothingToSayError(
            "the store holds no meters yet: load a meters table, or bench sessions"
        )
    day = as_of or today
    target, since = settings.reliability_target, day - timedelta(days=RECENT_NOTICE_DAYS)
    document: StatusAnswer = {
        **documents.status_document(snap, as_of=day, target=target, stale=stale),
        "notices": notice_rows(snap.notices, seen, since=since),
        "race_eve": _race_eve(snap, tables, day),
    }
    if demo and as_of is None:
        document["today_note"] = f"today is {demo}, the last day of these data"
    return document


def _race_eve(snap: Snapshot, tables: dict[str, pl.DataFrame], day: date) -> list[RaceEve]:
    if not race_is_near(tables["calendar"], today=day):
        return []
    here = snap.meters.filter(~pl.col("gone"))
    ahead = forecast(snap, here["meter_id"].to_list(), as_of=day)
    errors = ahead.mean_pct[:, 0], ahead.sd_pct[:, 0]
    return race_eve(here, errors, tables, snap.alarms, today=day)


def history(
    store: Store, meter_id: str, *, as_of: date | None = None, say: Say | None = None
) -> documents.HistoryDocument:
    """The `history` document of one meter."""
    return history_of(prepare(store, as_of=as_of, say=say), meter_id)


def history_of(prepared: Prepared, meter_id: str) -> documents.HistoryDocument:
    """The `history` document of one meter, its forecast and control charts beside it."""
    prepared.known(meter_id)
    found, fleet = prepared.found, prepared.fleet
    instants = pipeline.observed_days(found, meter_id)
    ahead = [noon(found.as_of) + timedelta(days=14 * k) for k in range(53)]
    mean, sd = fleet.gain_error(("meter", meter_id), [*instants, *ahead])
    observed, n = (
        fleet.adjusted_observations().filter(pl.col("meter_id") == meter_id),
        len(instants),
    )
    limits = pipeline.chart_limits(prepared.settings, pipeline.points_per_season(found)).limits
    tolerance = found.meters.filter(pl.col("meter_id") == meter_id)["tolerance_pct"].item()
    return {
        "meter_id": meter_id,
        "points": documents.curve_points(instants, mean[:n], sd[:n]),
        "observations": documents.observed_points(observed),
        "events": documents.meter_events(found.events, meter_id),
        "resets": documents.slope_resets(found.resets, meter_id),
        "fit": documents.fit_state(fleet),
        "forecast": documents.curve_points(ahead, mean[n:], sd[n:]),
        "tolerance_pct": tolerance,
        "control": documents.control_points(pipeline.charts_of(observed, limits), limits),
    }


def measured(store: Store) -> tuple[pl.DataFrame, pl.DataFrame]:
    """All bench sessions, and all ride comparisons: steps as evaluated at the last fit,

    recordings as soon as they were compared. One look into the store for all meters.
    """
    with store.reading() as db:
        sessions, kept = db.derived("session_results"), db.derived("comparison_results")
        pairs = live_results(db)
    steps = None if kept is None else kept.filter(pl.col("source") != "recordings")
    found = [frame for frame in (steps, pairs) if frame is not None]
    rides = pl.concat(found, how="diagonal_relaxed") if found else pl.DataFrame()
    return (pl.DataFrame() if sessions is None else sessions), rides


def session_documents(store: Store, meter_id: str) -> list[dict[str, Any]]:
    """The meter's bench sessions as evaluated at the last fit, oldest first."""
    return documents_of(measured(store)[0], meter_id)


def comparison_documents(store: Store, meter_id: str) -> list[dict[str, Any]]:
    """The meter's ride comparisons, oldest first."""
    return documents_of(measured(store)[1], meter_id)


def documents_of(kept: pl.DataFrame, meter_id: str) -> list[dict[str, Any]]:
    """One meter's rows of what `measured` gave, oldest first, each with its document's keys."""
    if kept.is_empty():
        return []
    rows = kept.filter(pl.col("meter_id") == meter_id).sort("measured_at").to_dicts()
    out = []
    for row in rows:
        text = row.pop("document", None)
        out.append(row | (json.loads(text) if text else {}))
    return out


def version(store: Store) -> tuple[int, str | None]:
    """Tells whether an answer kept from before still holds: the data's version, and the fit's."""
    with store.reading() as db:
        info, version = db.derived("fit_info"), db.data_version()
    if info is None:
        return version, None
    followed = info["followed_at"][0] if "followed_at" in info.columns else ""
    return version, f"{info['fitted_at'][0]} {followed}"


def is_empty(store: Store) -> bool:
    """Whether nothing has been loaded that a fleet could be made of."""
    with store.reading() as db:
        return all(db.frame(name).is_empty() for name in ("meters", "bench", "comparisons"))


def method(store: Store) -> dict[str, Any]:
    """How the numbers come about: the fit, its hyperparameters, the drift table by group."""
    snap, stale = snapshot(store, as_of=None)
    about = snap.about()
    with store.reading() as db:
        settings = settings_of(db)
    return {
        "fit": {key: about[key] for key in ("fitted_at", "converged", "message", "seconds")}
        | {"stale": stale},
        "hyperparameters": about["hyper"],
        "population": snap.population.to_dicts(),
        "observations": _counts_of(snap.weights),
        "charts": pipeline.chart_limits(settings, about["points_per_season"]).table.to_dicts(),
        "diagnostics": {
            "checks": snap.checks.to_dicts(),
            "shares": snap.shares.to_dicts(),
            "detection": snap.detection.to_dicts(),
        },
        "false_alarms_per_season": settings.false_alarms_per_season,
    }


def _counts_of(weights: pl.DataFrame) -> list[dict[str, Any]]:
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


def bench_files(paths: list[Path]) -> tuple[dict[str, Any], list[ProblemDocument]]:
    """The `bench` document of files, and what could not be read. No store."""
    from ingest.load import read_tables

    read = read_tables(paths)
    if "bench" not in read.frames:
        raise NothingToSayError(
            "no bench table found in what you named: its name begins with 'bench', or it has the "
            "columns session_id, meter_id, measured_at, load, torque_nm"
        )
    results = evaluate_bench(
        read.frames, tolerance_pct=TOLERANCE_PCT, incomplete=frozenset(read.incomplete)
    )
    document = {"sessions": [session_document(result) for result in results]}
    return document, [problem.document() for problem in read.problems]


def build_demo(store: Store, *, say: Say | None = None) -> None:
    """Load the demo fleet; its today is its data's last day."""
    import seeds
    from ingest.load import load_paths
    from models.run import rides as run_rides
    from seeds.scenario import LAST

    with store.writing() as db:
        db.set_setting("today", LAST.isoformat())
    folder = Path(seeds.__file__).parent
    loaded = load_paths(store, [folder / "tables", folder / "recordings"])
    run_rides.take_in(store, loaded.recordings, say=say or (lambda _text: None))
    run_rides.evaluate_pairs(store, say=say or (lambda _text: None))
    refit(store, say=say)
