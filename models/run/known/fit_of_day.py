"""From the store to a fit of a day: read, evaluate, fit.

The store is never held open while something is computed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import partial
from typing import TYPE_CHECKING, Any, TypedDict
from zoneinfo import ZoneInfo

import polars as pl

from ingest.recordings import live_results
from ingest.schema import TABLES
from ingest.store import Database, Store
from models import fleet as fleet_model
from models.records import Records, Settings, Tables, up_to
from models.run.known.form import MODEL
from models.status import Snapshot
from models.wording import NoAnswerError, unknown_name

if TYPE_CHECKING:
    from ingest.readers import Workers
    from models.coaching import Acknowledged
    from models.fleet import FleetFit
    from models.honesty import Known
    from models.run.known.pipeline import Evaluated

Say = Callable[[str], None]
ACKNOWLEDGED = "notice acknowledged"


def settings_of(db: Database) -> Settings:
    """Return the settings that the models need."""
    kept = db.settings()
    return Settings(
        tolerance_pct=float(kept["tolerance_pct"] or 0.0),
        reliability_target=float(kept["reliability_target"] or 0.0),
        false_alarms_per_season=float(kept["false_alarms_per_season"] or 0.0),
        time_zone=str(kept["time_zone"]),
    )


def tables_of(db: Database) -> Tables:
    """Return every input table."""
    return {name: db.frame(name) for name in TABLES}


def today_of(db: Database, settings: Settings) -> date:
    """Return the day it is: the store's own (a demo's data end some day), else the system's."""
    own = db.setting("today")
    return (
        date.fromisoformat(str(own)) if own else datetime.now(ZoneInfo(settings.time_zone)).date()
    )


def seen_notices(db: Database) -> dict[str, Acknowledged]:
    """Return who acknowledged which notice: notice_id → acknowledged_by, acknowledged_at."""
    seen = db.frame("changes").filter(pl.col("what") == ACKNOWLEDGED).sort("changed_at")
    return {
        subject: {"acknowledged_by": who, "acknowledged_at": at}
        for subject, who, at in seen.select("subject", "who", "changed_at").iter_rows()
    }


@dataclass(frozen=True)
class Read:
    """What one look into the store brought."""

    tables: Tables
    settings: Settings
    today: date
    version: int
    incomplete: frozenset[str]
    pairs: pl.DataFrame | None
    kept: Snapshot | None
    evaluated: Evaluated | None

    @property
    def current(self) -> bool:
        """Whether the kept fit saw all there is."""
        return self.kept is not None and self.kept.about()["data_version"] == self.version


def _evaluated(db: Database) -> Evaluated | None:
    from models.run.known.pipeline import Evaluated

    sessions, comparisons = db.derived("session_results"), db.derived("comparison_results")
    return None if sessions is None or comparisons is None else Evaluated(sessions, comparisons)


def _read(store: Store) -> Read:
    with store.reading() as db:
        settings = settings_of(db)
        return Read(
            tables=tables_of(db),
            settings=settings,
            today=today_of(db, settings),
            version=db.data_version(),
            incomplete=frozenset(db.query("set_aside/incomplete_sessions")["session_id"].to_list()),
            pairs=live_results(db),
            kept=_kept(db),
            evaluated=_evaluated(db),
        )


def _records(read: Read, day: date) -> Records:
    """Return the day's evaluations: the last fit's if they are just what is known on the day."""
    from models.run.known import pipeline

    tables = up_to(read.tables, as_of=day, time_zone=read.settings.time_zone)
    pairs = read.pairs
    if pairs is not None:
        local = pl.col("measured_at").dt.convert_time_zone(read.settings.time_zone).dt.date()
        pairs = pairs.filter(local <= day)
    evaluated = read.evaluated
    if evaluated is None or not (read.current and evaluated.covers(tables, pairs)):
        evaluated = pipeline.evaluate(
            tables, read.settings, incomplete=read.incomplete, pairs=pairs
        )
    return pipeline.records(
        tables, evaluated, everything=read.tables, as_of=day, settings=read.settings
    )


def records(store: Store, as_of: date | None) -> tuple[Records, Settings, int]:
    """Return the records of a day, the settings, and the version of the data."""
    read = _read(store)
    return _records(read, as_of or read.today), read.settings, read.version


def records_and_past(store: Store, as_of: date | None) -> tuple[Records, Known, Settings, int]:
    """Return what `records` does, and what gives the model's data as known before an instant."""
    from models.run.known.past import data_before

    read = _read(store)
    found = _records(read, as_of or read.today)
    known = partial(
        data_before, tables=read.tables, pairs=read.pairs, found=found, settings=read.settings
    )
    return found, known, read.settings, read.version


def new_snapshot(
    found: Records,
    settings: Settings,
    version: int,
    begun: float,
    *,
    fleet: FleetFit | None = None,
    workers: Workers | None = None,
) -> Snapshot:
    from models.run.known import pipeline

    fleet = fleet or pipeline.fitted(found, settings, workers)
    made = pipeline.Made(
        datetime.now(UTC).replace(microsecond=0), round(time.monotonic() - begun, 3), version
    )
    return pipeline.snapshot_of(
        found, fleet, settings, made=made, population=pipeline.drift_by_group(found)
    )


def tell(say: Say | None, text: str) -> None:
    if say is not None:
        say(text)


def _kept(db: Database) -> Snapshot | None:
    """Return the fit that the store holds, if it is of this model's form."""
    info = db.derived("fit_info")
    if info is None or "model" not in info.columns or info["model"].item() != MODEL:
        return None
    frames = {name: db.derived(f"fit_{name}") for name in Snapshot.names()}
    kept = {name: frame for name, frame in frames.items() if frame is not None}
    return Snapshot.of(kept) if len(kept) == len(frames) else None  # an earlier form kept fewer


def stored(store: Store) -> tuple[Snapshot | None, date, int]:
    with store.reading() as db:
        settings = settings_of(db)
        return _kept(db), today_of(db, settings), db.data_version()


def snapshot(
    store: Store,
    *,
    as_of: date | None,
    say: Say | None = None,
    ready: Callable[[], Prepared] | None = None,
) -> tuple[Snapshot, bool]:
    """Return the fit that answers for a day, and whether data came in after it was made.

    The stored fit serves where nothing dated after the day went into it; else (a past day, or
    no fit yet) the models are refitted, on what was known on that day alone, or have been:
    ready gives them.
    """
    kept, today, version = stored(store)
    day = as_of or today
    if kept is not None:
        stale = kept.about()["data_version"] != version
        if kept.serves(day) and (as_of is None or not stale):
            return kept, stale
    begun = time.monotonic()
    if ready is not None:
        known = ready()
        return new_snapshot(known.found, known.settings, version, begun, fleet=known.fleet), False
    tell(say, f"fitting what was known on {day.isoformat()}")
    found, settings, version = records(store, day)
    return new_snapshot(found, settings, version, begun), False


@dataclass(frozen=True)
class Prepared:
    """The records of a day and the fleet model on them: what a question about a date needs.

    tables: the store's, uncut (who rides what, calendar, capacity, costs are known ahead)
    population: the drift table by group
    """

    found: Records
    settings: Settings
    fleet: FleetFit
    tables: Tables
    population: pl.DataFrame

    def known(self, meter_id: str) -> None:
        """Refuse a meter that is not in the fleet."""
        ids = self.found.meters["meter_id"].to_list()
        if meter_id not in ids:
            raise NoAnswerError(unknown_name(meter_id, ids))

    def meter(self, meter_id: str) -> Mapping[str, Any]:
        """Return a meter's row of the roster; raise NoAnswerError where there is none."""
        self.known(meter_id)
        return self.found.meters.filter(pl.col("meter_id") == meter_id).row(0, named=True)


class KeptConvergence(TypedDict):
    """Whether the store's fit converged (None: there is none), and what it said."""

    converged: bool | None
    message: str


def fit_state_in(info: pl.DataFrame | None) -> KeptConvergence:
    """Return whether the store's fit converged (null: there is none), and what it said.

    info  the kept frame about the fit
    """
    if info is None:
        return {"converged": None, "message": ""}
    return {"converged": info["converged"].item(), "message": info["message"].item()}


def taken_in(info: pl.DataFrame | None) -> tuple[int | None, int | None]:
    """Return the version of the data that the store's fit has seen, and that the answers hold.

    info  the kept frame about the fit
    """
    if info is None or "data_version" not in info.columns:
        return None, None
    seen = info["data_version"].item()
    return seen, info["followed_version"].item() if "followed_version" in info.columns else seen


def prepare(store: Store, *, as_of: date | None = None, say: Say | None = None) -> Prepared:
    """Return records and fleet model: rebuilt from the stored fit where that serves, else fitted.

    For today a stored fit serves even where rows came in after it: they count, at its
    hyperparameters and alarms, until the next fit.
    """
    from models.run.known import pipeline

    read = _read(store)
    found = _records(read, as_of or read.today)
    if read.kept is not None and read.kept.serves(found.as_of) and (read.current or as_of is None):
        fleet = _conditioned(found, read.kept, read.settings)
        population = read.kept.population
    else:
        tell(say, f"fitting what was known on {found.as_of.isoformat()}")
        fleet = pipeline.fitted(found, read.settings)
        population = pipeline.drift_by_group(found)
    return Prepared(found, read.settings, fleet, read.tables, population)


def _conditioned(found: Records, kept: Snapshot, settings: Settings) -> FleetFit:
    about = kept.about()
    fleet = fleet_model.condition(
        found.data,
        fleet_model.hyper_from_document(about["hyper"]),
        today=found.as_of,
        settings=fleet_model.FleetSettings(
            false_alarms_per_season=settings.false_alarms_per_season
        ),
        effects=about["effects"],
        weights=kept.weights,
    )
    return replace(fleet, converged=about["converged"], message=about["message"])
