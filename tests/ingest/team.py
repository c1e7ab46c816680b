"""A small invented team for the tests of the intake: rows as a person would type them."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import polars as pl

from ingest.load import load_paths
from ingest.load.report import LoadReport
from ingest.schema import TABLES
from ingest.store import Store

Row = dict[str, Any]

METERS: list[Row] = [
    {
        "meter_id": "M1",
        "kind": "crank_spider",
        "in_service_date": "2024-01-10",
        "slope_convention": "multiplier",
        "factory_slope": 5.69,
        "tolerance_pct": 1.5,
        "static_check": "yes",
    },
    {
        "meter_id": "M2",
        "kind": "pedal_pair",
        "in_service_date": "2024-02-01",
        "slope_convention": "fixed",
        "crank_length_mm": 170,
        "static_check": "no",
    },
]
MASS_SETS: list[Row] = [
    {"bench_id": "B1", "mass_kg": 20.0, "hanger_mass_kg": 0.023, "mass_class": "M1"}
]
PLACES: list[Row] = [{"place_id": "P1", "latitude_deg": 60.2, "altitude_m": 12.5}]
REFERENCES: list[Row] = [{"reference_id": "T1", "kind": "trainer", "stated_accuracy_pct": 1}]
RIDERS: list[Row] = [{"rider_id": "R1", "coach": "Åse", "from_date": "2024-01-01"}]
INSTALLATIONS: list[Row] = [
    {
        "meter_id": "M1",
        "bike_id": "K1",
        "from_date": "2024-01-10",
        "crank_length_mm": 172.5,
        "large_ring": 53,
        "small_ring": 39,
        "ring_shape": "round",
    }
]
ASSIGNMENTS: list[Row] = [
    {"meter_id": "M1", "from_date": "2024-01-10", "rider_id": "R1", "role": "race"}
]


def reading(session: str = "S1", number: int | None = 1, **cells: Any) -> Row:
    """One reading at the bench."""
    row: Row = {
        "session_id": session,
        "meter_id": "M1",
        "measured_at": "2024-03-14T09:30:00",
        "bench_id": "B1",
        "place_id": "P1",
        "mass_kg": 20.0,
        "hanger_mass_kg": 0.023,
        "crank_length_mm": 172.5,
        "temperature_c": 19.5,
        "stage": "as_found",
        "reading": number,
        "load": "mass",
        "chainring": "large",
        "arm": "left",
        "torque_nm": 33.92,
        "slope_before": 5.69,
    }
    return row | cells


BENCH: list[Row] = [
    reading(number=1, load="zero", mass_kg=0, hanger_mass_kg=None, torque_nm=0.02),
    reading(number=2, torque_nm=33.92),
    reading(number=3, torque_nm=34.21, arm="right"),
    reading(number=4, torque_nm=-1234.5 / 100, chainring="39"),
]
EVENTS: list[Row] = [
    {"meter_id": "M1", "date": "2024-02-20", "event": "battery_swap", "cost": 4.5},
    {"reference_id": "T1", "date": "2024-02-21", "event": "spindown"},
    {"bench_id": "B1", "date": "2024-02-22", "event": "recertified", "note": "nº 7; see, file"},
]
ZEROS: list[Row] = [
    {"meter_id": "M1", "measured_at": "2024-03-01T07:00:00", "zero_nm": -0.12, "temperature_c": 5},
    {"meter_id": "M1", "measured_at": "2024-03-01T07:00:00", "zero_nm": -0.12, "temperature_c": 5},
    {"meter_id": "M2", "measured_at": "2024-03-02T07:00:00", "zero_raw": 1234567, "battery_v": 3.1},
]
COMPARISONS: list[Row] = [
    {
        "comparison_id": "C1",
        "meter_id": "M1",
        "reference_id": "T1",
        "measured_at": "2024-03-05T18:00:00",
        "step": step,
        "duration_s": 180,
        "meter_w": 100.0 * step + 1.5,
        "reference_w": 100.0 * step,
        "rider_id": "R1",
    }
    for step in (1, 2, 3)
]

TEAM: dict[str, list[Row]] = {
    "meters": METERS,
    "references": REFERENCES,
    "mass_sets": MASS_SETS,
    "places": PLACES,
    "riders": RIDERS,
    "installations": INSTALLATIONS,
    "assignments": ASSIGNMENTS,
    "events": EVENTS,
    "bench": BENCH,
    "zeros": ZEROS,
    "comparisons": COMPARISONS,
    "efforts": [
        {
            "rider_id": "R1",
            "date": "2024-03-06",
            "watts": 301.5,
            "duration_s": 1200,
            "meter_id": "M1",
        }
    ],
    "calendar": [
        {"name": "Spring", "from_date": "2024-04-01", "to_date": "2024-04-02", "priority": "A"}
    ],
    "capacity": [{"from_date": "2024-03-01", "to_date": "2024-03-31", "slots": 6}],
    "costs": [{"item": "bench_hour", "unit_cost": 45, "currency": "EUR"}],
}


def header(rows: Sequence[Row]) -> list[str]:
    return list(dict.fromkeys(name for row in rows for name in row))


def cell(value: Any, comma: bool = False) -> str:
    if value is None:
        return ""
    if isinstance(value, float) and comma:
        return str(value).replace(".", ",")
    return str(value)


def write_csv(
    file: Path,
    rows: Sequence[Row],
    *,
    separator: str = ",",
    comma: bool = False,
    encoding: str = "utf-8",
) -> Path:
    """Rows as a CSV file."""
    names = header(rows)
    with file.open("w", encoding=encoding, newline="") as stream:
        writer = csv.writer(stream, delimiter=separator)
        writer.writerow(names)
        writer.writerows([[cell(row.get(name), comma) for name in names] for row in rows])
    return file


def write_team(folder: Path, tables: Mapping[str, Sequence[Row]] = TEAM, **how: Any) -> Path:
    """A folder with a CSV file a table."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        if rows:
            write_csv(folder / f"{name}.csv", rows, **how)
    return folder


def contents(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """Every input table's rows, sorted: what two stores are compared by."""
    with store.reading() as db:
        return {name: sorted(map(tuple, db.frame(name).rows()), key=repr) for name in TABLES}


def load(folder: Path, *paths: Path, store: str = "team.duckdb") -> tuple[Store, LoadReport]:
    """Load paths into a store in `folder`."""
    target = Store(folder / store)
    return target, load_paths(target, paths)


def live(store: Store, table: str) -> pl.DataFrame:
    with store.reading() as db:
        return db.frame(table)
