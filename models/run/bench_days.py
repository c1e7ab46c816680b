"""The bench page's way to the store: what it is given, how a draft is judged, what follows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from ingest.load import draft_rows
from ingest.store import Store
from models import bench
from models.bench import evaluate_bench, session_document
from models.run import fit_of_day
from models.wording import NothingToSayError

SIDE_TABLES = ("meters", "mass_sets", "places", "installations")
Rows = Sequence[Mapping[str, Any]]


@dataclass(frozen=True)
class Side:
    """What a draft is judged against: the side tables, earlier sessions, the day, settings.

    slopes: what every meter was last left with, by the rows themselves; taking_in: meters with
    rows that are not in the answers yet ("measured"), or still are in them ("taken back").
    """

    tables: dict[str, pl.DataFrame]
    sessions: pl.DataFrame | None
    slopes: dict[str, bench.LastSlopes]
    taking_in: dict[str, str]
    today: date
    own_today: bool
    tolerance_pct: float
    time_zone: str


def side_of(store: Store) -> Side:
    """Read once, kept by the caller as long as the data do not change."""
    with store.reading() as db:
        settings = fit_of_day.settings_of(db)
        rows, kept = db.frame("bench"), db.derived("session_results")
        return Side(
            {name: db.frame(name) for name in SIDE_TABLES},
            None if kept is None else kept.join(rows, on="session_id", how="semi"),
            bench.last_slopes(rows),
            _taking_in(rows, kept),
            fit_of_day.today_of(db, settings),
            bool(db.setting("today")),
            settings.tolerance_pct,
            settings.time_zone,
        )


def _taking_in(rows: pl.DataFrame, kept: pl.DataFrame | None) -> dict[str, str]:
    """Of each meter whose stored sessions are not those of the answers: how they differ."""
    named = rows.select("meter_id", "session_id").unique()
    answered = named.clear() if kept is None else kept.select("meter_id", "session_id")
    gone = answered.join(named, on="session_id", how="anti")["meter_id"].unique()
    new = named.join(answered, on="session_id", how="anti")["meter_id"].unique()
    return {name: "taken back" for name in gone if name} | {
        name: "measured" for name in new if name
    }


def kit(side: Side, status: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The bench page's data; `today` is set where the store has a day of its own."""
    found = bench.kit(side.tables, side.sessions, status, on=side.today, slopes=side.slopes)
    return found | {"today": side.today.isoformat() if side.own_today else None}


def judge(side: Side, rows: Rows) -> bench.SessionDocument:
    """The `bench` document of one unsaved session."""
    tables = side.tables | {"bench": draft_rows("bench", rows, zone=side.time_zone)}
    results = evaluate_bench(tables, tolerance_pct=side.tolerance_pct, earlier=_of(side, rows))
    if len(results) != 1:
        raise NothingToSayError("found rows of several sessions, expected one session at a time")
    return session_document(results[0])


def _of(side: Side, rows: Rows) -> pl.DataFrame | None:
    meters = {str(row.get("meter_id")) for row in rows}
    kept = side.sessions
    return None if kept is None else kept.filter(pl.col("meter_id").is_in(list(meters)))


def session(store: Store, session_id: str) -> dict[str, Any]:
    """One stored session: its `bench` document, its own columns, and the mass set's row."""
    with store.reading() as db:
        tables = {name: db.frame(name) for name in SIDE_TABLES}
        rows = db.frame("bench").filter(pl.col("session_id") == session_id)
        kept = db.derived("session_results")
        settings = fit_of_day.settings_of(db)
    if rows.is_empty():
        raise NothingToSayError(
            f'found session "{session_id}", expected one that the store holds: '
            "`slopewatch bench FILE` lists a table's sessions, a meter's page shows its own"
        )
    first: dict[str, Any] = rows.select(pl.all().drop_nulls().first()).row(0, named=True)
    hung = rows.filter(pl.col("load") == "mass")
    first |= {name: hung[name].max() for name in ("mass_kg", "hanger_mass_kg")}
    earlier = None if kept is None else kept.filter(pl.col("meter_id") == first["meter_id"])
    (result, *_) = evaluate_bench(
        tables | {"bench": rows}, tolerance_pct=settings.tolerance_pct, earlier=earlier
    )
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


def _row(frame: pl.DataFrame, key: str, value: str | None) -> dict[str, Any]:
    found = frame.filter(pl.col(key) == value) if value is not None else frame.clear()
    return found.row(0, named=True) if found.height else {}
