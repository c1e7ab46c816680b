"""Load, compute, save: the only module of the models that touches the store.

The store is never held open while something is computed.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from ingest.schema import TABLES
from ingest.store import Database, Store
from models import assess, documents
from models.assess import Records, Settings, Tables
from models.bench import evaluate_bench
from models.fleet import FleetFit, FleetSettings, hyper_from_document
from models.fleet.effects import Effect
from models.fleet.fit import condition
from models.refusal import NothingToSayError
from models.roster import up_to
from models.snapshot import Snapshot, noon

if TYPE_CHECKING:
    from models.effort import Effort
    from models.season import Asked

Say = Callable[[str], None]
SEED = 20260930  # of simulated answers, so that asking twice gives the same
TOLERANCE_PCT = 1.5  # where no meters table says otherwise


@dataclass(frozen=True)
class Period:
    """A meter or a rider, from a day to a day, both included."""

    first: date
    last: date
    meter_id: str | None = None
    rider_id: str | None = None


# ---------------------------------------------------------------- what the store holds


def settings_of(db: Database) -> Settings:
    """The settings that the models need."""
    kept = db.settings()
    return Settings(
        tolerance_pct=float(kept["tolerance_pct"] or 0.0),
        reliability_target=float(kept["reliability_target"] or 0.0),
        false_alarms_per_season=float(kept["false_alarms_per_season"] or 0.0),
        time_zone=str(kept["time_zone"]),
    )


def tables_of(db: Database) -> Tables:
    """Every input table."""
    return {name: db.frame(name) for name in TABLES}


def today_of(db: Database, settings: Settings) -> date:
    """The day it is: the store's own (a demo's data end some day), else the system's."""
    own = db.setting("today")
    return (
        date.fromisoformat(str(own)) if own else datetime.now(ZoneInfo(settings.time_zone)).date()
    )


def _read(store: Store) -> tuple[Tables, Settings, date, int, frozenset[str], pl.DataFrame | None]:
    with store.reading() as db:
        settings = settings_of(db)
        incomplete = frozenset(db.query("incomplete_sessions")["session_id"].to_list())
        return (
            tables_of(db),
            settings,
            today_of(db, settings),
            db.data_version(),
            incomplete,
            db.derived("pair_results"),
        )


def _records(store: Store, as_of: date | None) -> tuple[Records, Settings, int]:
    tables, settings, today, version, incomplete, pairs = _read(store)
    day = as_of or today
    if pairs is not None:
        local = pl.col("measured_at").dt.convert_time_zone(settings.time_zone).dt.date()
        pairs = pairs.filter(local <= day)
    found = assess.records(
        up_to(tables, as_of=day, time_zone=settings.time_zone),
        everything=tables,
        as_of=day,
        settings=settings,
        incomplete=incomplete,
        pairs=pairs,
    )
    return found, settings, version


# ---------------------------------------------------------------- fit


def refit(store: Store, *, say: Say | None = None) -> dict[str, Any]:
    """Fit the models to everything known today and keep the results."""
    begun = time.monotonic()
    _tell(say, "evaluating bench sessions and comparisons")
    found, settings, version = _records(store, None)
    _tell(say, f"fitting {found.meters.height} meters")
    snap = _snapshot(found, settings, version, begun)
    about = snap.about()
    with store.writing() as db:
        for name in Snapshot.names():
            db.put_derived(f"fit_{name}", getattr(snap, name))
        db.put_derived("session_results", found.sessions)
        db.put_derived("comparison_results", found.comparisons)
        db.put_derived("resets", found.resets)
    return {
        "ran": True,
        "converged": about["converged"],
        "seconds": about["seconds"],
        "message": about["message"],
    }


def _snapshot(found: Records, settings: Settings, version: int, begun: float) -> Snapshot:
    fleet = assess.fitted(found, settings)
    made = assess.Made(
        datetime.now(UTC).replace(microsecond=0), round(time.monotonic() - begun, 3), version
    )
    return assess.snapshot_of(found, fleet, settings, made=made)


def _tell(say: Say | None, text: str) -> None:
    if say is not None:
        say(text)


def _stored(store: Store) -> tuple[Snapshot | None, Settings, date, int]:
    with store.reading() as db:
        settings = settings_of(db)
        today, version = today_of(db, settings), db.data_version()
        info = db.derived("fit_info")
        if info is None or "model" not in info.columns or info["model"].item() != assess.MODEL:
            return None, settings, today, version
        frames = {name: db.derived(f"fit_{name}") for name in Snapshot.names()}
    kept = {name: frame for name, frame in frames.items() if frame is not None}
    return Snapshot.of(kept), settings, today, version


def snapshot(store: Store, *, as_of: date | None, say: Say | None = None) -> tuple[Snapshot, bool]:
    """The fit that answers for a day, and whether data came in after it was made.

    The stored fit serves where nothing dated after the day went into it; else (a past day, or
    no fit yet) the models are fitted anew, on what was known on that day alone.
    """
    kept, settings, today, version = _stored(store)
    day = as_of or today
    if kept is not None:
        stale = kept.about()["data_version"] != version
        if kept.serves(day) and (as_of is None or not stale):
            return kept, stale
    begun = time.monotonic()
    _tell(say, f"fitting what was known on {day.isoformat()}")
    found, settings, version = _records(store, day)
    return _snapshot(found, settings, version, begun), False


# ---------------------------------------------------------------- answers


def status(store: Store, *, as_of: date | None = None, say: Say | None = None) -> dict[str, Any]:
    """The `status` document."""
    snap, stale = snapshot(store, as_of=as_of, say=say)
    with store.reading() as db:
        settings = settings_of(db)
        today, demo = today_of(db, settings), db.setting("today")
    if snap.meters.is_empty():
        raise NothingToSayError(
            "the store holds no meters yet: load a meters table, or bench sessions"
        )
    document = documents.status_document(
        snap, as_of=as_of or today, target=settings.reliability_target, stale=stale
    )
    if demo and as_of is None:
        document["today_note"] = f"today is {demo}, the last day of these data"
    return document


@dataclass(frozen=True)
class Prepared:
    """The records of a day and the fleet model on them: what a question about a date needs."""

    found: Records
    settings: Settings
    fleet: FleetFit

    def known(self, meter_id: str) -> None:
        """Refuse a meter that is not in the fleet."""
        ids = self.found.meters["meter_id"].to_list()
        if meter_id not in ids:
            raise NothingToSayError(_unknown_meter(meter_id, ids))


def prepare(store: Store, *, as_of: date | None = None, say: Say | None = None) -> Prepared:
    """Records and fleet model: rebuilt from the stored fit where that serves, else fitted anew.

    For today a stored fit serves even where rows came in after it: they count, at its
    hyperparameters and alarms, until the next fit.
    """
    found, settings, version = _records(store, as_of)
    kept, _, _, _ = _stored(store)
    current = kept is not None and kept.about()["data_version"] == version
    if kept is not None and kept.serves(found.as_of) and (current or as_of is None):
        fleet = condition(
            found.data,
            hyper_from_document(kept.about()["hyper"]),
            today=found.as_of,
            settings=FleetSettings(false_alarms_per_season=settings.false_alarms_per_season),
            effects=[Effect(**row) for row in kept.about()["effects"]],
            weights=kept.weights,
        )
        return Prepared(found, settings, fleet)
    _tell(say, f"fitting what was known on {found.as_of.isoformat()}")
    return Prepared(found, settings, assess.fitted(found, settings))


def history(
    store: Store, meter_id: str, *, as_of: date | None = None, say: Say | None = None
) -> dict[str, Any]:
    """The `history` document of one meter."""
    return history_of(prepare(store, as_of=as_of, say=say), meter_id)


def history_of(prepared: Prepared, meter_id: str) -> dict[str, Any]:
    """The `history` document of one meter, its forecast and control charts beside it."""
    prepared.known(meter_id)
    found, fleet = prepared.found, prepared.fleet
    instants = assess.observed_days(found, meter_id)
    ahead = [noon(found.as_of) + timedelta(days=14 * k) for k in range(53)]
    mean, sd = fleet.gain_error(("meter", meter_id), [*instants, *ahead])
    observed, n = fleet.observed().filter(pl.col("meter_id") == meter_id), len(instants)
    limits = assess.chart_limits(prepared.settings, assess.points_per_season(found)).limits
    document = documents.history_document(
        meter_id,
        documents.points(instants, mean[:n], sd[:n]),
        observations=documents.observations(observed),
        events=found.events,
        resets=found.resets,
    )
    tolerance = found.meters.filter(pl.col("meter_id") == meter_id)["tolerance_pct"].item()
    return document | {
        "forecast": documents.points(ahead, mean[n:], sd[n:]),
        "tolerance_pct": tolerance,
        "control": documents.control(assess.charts_of(observed, limits), limits),
    }


def _unknown_meter(meter_id: str, known: list[str]) -> str:
    from difflib import get_close_matches

    close = get_close_matches(meter_id, known, n=3)
    hint = f"; did you mean {' or '.join(close)}?" if close else f" ({len(known)} meters are known)"
    return f'found meter "{meter_id}", expected one that the store knows{hint}'


def session_documents(store: Store, meter_id: str) -> list[dict[str, Any]]:
    """The meter's bench sessions as evaluated at the last fit, oldest first."""
    return _kept_documents(store, "session_results", meter_id)


def comparison_documents(store: Store, meter_id: str) -> list[dict[str, Any]]:
    """The meter's ride comparisons as evaluated at the last fit, oldest first."""
    return _kept_documents(store, "comparison_results", meter_id)


def _kept_documents(store: Store, name: str, meter_id: str) -> list[dict[str, Any]]:
    with store.reading() as db:
        kept = db.derived(name)
    if kept is None:
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
        info = db.derived("fit_info")
        fitted_at = None if info is None else str(info["fitted_at"][0])
        return db.data_version(), fitted_at


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
        "charts": assess.chart_limits(settings, about["points_per_season"]).table.to_dicts(),
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


def bench_files(paths: list[Path]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The `bench` document of files, and what could not be read. No store."""
    from ingest.tables import read_tables

    read = read_tables(paths)
    if "bench" not in read.frames:
        raise NothingToSayError(
            "no bench table found in what you named: its name begins with 'bench', or it has the "
            "columns session_id, meter_id, measured_at, load, torque_nm"
        )
    results = evaluate_bench(
        read.frames, tolerance_pct=TOLERANCE_PCT, incomplete=frozenset(read.incomplete)
    )
    document = {"sessions": [result.to_document() for result in results]}
    return document, [problem.document() for problem in read.problems]


def build_demo(store: Store, *, say: Say | None = None) -> None:
    """Load the demo fleet; its today is its data's last day."""
    import seeds
    from ingest.load import load_paths
    from seeds.scenario import LAST

    with store.writing() as db:
        db.set_setting("today", LAST.isoformat())
    load_paths(store, [Path(seeds.__file__).parent / "tables"])
    refit(store, say=say)


# ---------------------------------------------------------------- decisions


def hindcast(store: Store, *, as_of: date | None = None, say: Say | None = None) -> dict[str, Any]:
    """The `hindcast` document."""
    from models.hindcast import hindcast as look_back

    found, settings, _ = _records(store, as_of)
    return look_back(found, settings, progress=lambda text: _tell(say, text))


def plan(
    store: Store, asked: Asked, *, as_of: date | None = None, say: Say | None = None
) -> dict[str, Any]:
    """The `plan` document."""
    from models.season import plan_document

    ready = prepare(store, as_of=as_of, say=say)
    with store.reading() as db:
        tables = tables_of(db)
    return plan_document(ready.found, ready.fleet, tables, ready.settings, asked)


def budget(
    store: Store, asked: Asked, *, as_of: date | None = None, say: Say | None = None
) -> dict[str, Any]:
    """The `budget` document."""
    from models.cost import budget_document

    ready = prepare(store, as_of=as_of, say=say)
    with store.reading() as db:
        tables = tables_of(db)
    rng = np.random.default_rng(SEED)
    return budget_document(ready.found, ready.fleet, tables, ready.settings, asked, rng=rng)


def policies(store: Store, *, as_of: date | None = None, say: Say | None = None) -> dict[str, Any]:
    """The `policies` document."""
    from models.policies import policies_document

    ready = prepare(store, as_of=as_of, say=say)
    kept = ready.found.meters.filter(~pl.col("gone"))
    _tell(say, "simulating seasons of fleets like this one")
    rng = np.random.default_rng(SEED)
    return policies_document(ready.fleet, kept, ready.found.data, rng=rng)


def effort(
    store: Store, efforts: list[Effort], *, as_of: date | None = None, say: Say | None = None
) -> dict[str, Any]:
    """The `effort` document."""
    from models.effort import answer

    ready = prepare(store, as_of=as_of, say=say)
    found = ready.found
    service = dict(found.meters.select("meter_id", "in_service_on").iter_rows())
    references = found.data.references["reference_id"].to_list()
    for one in efforts:
        if one.device_id not in service and one.device_id not in references:
            raise NothingToSayError(_unknown_meter(one.device_id, [*service, *references]))
        if one.device_id in service and one.at.date() < service[one.device_id]:
            raise NothingToSayError(
                f"{one.device_id} came into service on {service[one.device_id]}; "
                f"the effort of {one.at.date()} was before that"
            )
    mean, covariance = ready.fleet.joint([(one.device_id, one.at) for one in efforts])
    return answer(efforts, mean, covariance)


def correct(
    store: Store, asked: Period, *, as_of: date | None = None, say: Say | None = None
) -> dict[str, Any]:
    """The `correct` document: the ledger of correction factors."""
    from models import ledger

    ready = prepare(store, as_of=as_of, say=say)
    if asked.meter_id is not None:
        ready.known(asked.meter_id)
    with store.reading() as db:
        assignments = db.frame("assignments")
    spans = ledger.cut(
        ledger.ridden(
            assignments,
            first=asked.first,
            last=asked.last,
            meter_id=asked.meter_id,
            rider_id=asked.rider_id,
        ),
        ready.found.resets,
    )
    if not spans:
        raise NothingToSayError(
            f"rider {asked.rider_id} has no meter assigned between {asked.first} and {asked.last}: "
            "load an assignments table that says who rides what, or ask for a meter"
        )
    pairs = [(("meter", span.meter_id), at) for span in spans for at in span.instants()]
    mean, covariance = ready.fleet.joint(pairs)
    return {"ledger": ledger.rows(spans, mean, covariance)}
