"""Fits that are kept: made again, or brought up to rows that came in since."""

import time
from datetime import UTC, date, datetime

import polars as pl

from ingest import admin
from ingest.store import Database, Store
from models.records import Records
from models.run.documents import FitReport
from models.run.known import (
    MANAGER,
    MECHANIC,
    Fleet,
    Made,
    change,
    new_snapshot,
    prepare,
    records,
    snapshot_of,
    stored,
)
from models.status import Snapshot

QUIET_S = 5.0  # a fit waits until nothing has been changed for so long
LONGEST_S = 20.0  # but no longer than this
APART_S = 60.0  # or than this after the last one: each has every page drawn anew


@change("models refitted", MECHANIC, MANAGER, place="records")
def refit(fleet: Fleet) -> FitReport:
    """Fit the models to everything known today and keep the results."""
    begun = time.monotonic()
    fleet.say("evaluating bench sessions and comparisons")
    found, settings, version = records(fleet.store, None)
    fleet.say(f"fitting {found.meters.height} meters")
    snap = new_snapshot(found, settings, version, begun, workers=fleet.workers)
    about = snap.about()
    with fleet.store.writing() as db:
        for name in Snapshot.names():
            db.put_derived(f"fit_{name}", getattr(snap, name))
        _put_records(db, found)
    admin.forget_old(fleet.store, today=date.today())
    return {
        "ran": True,
        "converged": about["converged"],
        "seconds": about["seconds"],
        "message": about["message"],
    }


@change("models refitted", MECHANIC, MANAGER, place="records")
def refit_when_quiet(fleet: Fleet) -> FitReport:
    """Refit once nothing has been changed for a while: one fit for many rows put right."""
    fleet.say("as soon as nothing more is changed")
    latest, seen = time.monotonic() + _longest(fleet.store), -1
    while time.monotonic() < latest:
        with fleet.store.reading() as db:
            now = db.data_version()
        if now == seen:
            break
        seen = now
        time.sleep(QUIET_S)
    return refit(fleet)


def _longest(store: Store) -> float:
    """Return how long a fit waits for quiet at most, in seconds."""
    with store.reading() as db:
        info = db.derived("fit_info", only=("fitted_at",))
    if info is None:
        return LONGEST_S
    since: float = (datetime.now(UTC) - info["fitted_at"].item()).total_seconds()
    return max(LONGEST_S, APART_S - max(since, 0.0))


@change("answers brought up to the data", MECHANIC, MANAGER, place="records")
def follow(fleet: Fleet) -> bool:
    """Answer for rows that came in after the last fit, at its hyperparameters, alarms and drift
    by group.

    The fit stays marked as older than the data; followed_version says what was taken in.
    Return False where there is no fit that could answer, or a newer one came in the meantime.
    """
    kept, _, version = stored(fleet.store)
    if kept is None:
        return False
    ready, about = prepare(fleet.store), kept.about()
    made = Made(about["fitted_at"], about["seconds"], about["data_version"])
    snap = snapshot_of(
        ready.found, ready.fleet, ready.settings, made=made, population=ready.population
    )
    same = {name: pl.lit(about[name]) for name in ("converged", "message")}
    followed = pl.lit(datetime.now(UTC).isoformat())
    info = snap.info.with_columns(**same, followed_at=followed, followed_version=version)
    with fleet.store.writing() as db:
        now = db.derived("fit_info")
        if now is None or now["fitted_at"].item() != kept.info["fitted_at"].item():
            return False
        for name in Snapshot.names():
            db.put_derived(f"fit_{name}", info if name == "info" else getattr(snap, name))
        _put_records(db, ready.found)
    return True


def _put_records(db: Database, found: Records) -> None:
    db.put_derived("session_results", found.sessions, if_new=True)
    db.put_derived("comparison_results", found.comparisons, if_new=True)
    db.put_derived("resets", found.resets, if_new=True)
