"""A team that has everything: meters ridden and benched, riders, races, prices, open questions.

Ten simulated meters over a year and a half, written as contract tables with what the simulator
does not know of beside them; for whatever wants a store in which no page and no report is empty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import polars as pl

from dashboard.cli.command_line import main
from ingest.store import Store
from models import run
from tests.dashboard.cli.test_rides import csv_of
from tests.simulate.contract_tables import contract_frames
from tests.simulate.fleet_options import FleetOptions
from tests.simulate.fleets import simulate_fleet
from tests.simulate.rides import Pair, Truth, simulate_pair
from tests.simulate.season_tables import SEASON_TABLES

TODAY = date(2024, 8, 1)
NARROW, LENT, KNOWN_SERIAL = "M0010", "M0009", "M0002"
SERIAL = 70_123
OPEN = {
    "events-proposed": """meter_id,date,event,note,state
M0002,2024-07-02,battery_swap,voltage rose,proposed
M0003,2024-07-09,firmware_update,,proposed
""",
    "efforts-more": """rider_id,date,watts,duration_s,meter_id,kind
Bo,2024-06-01,288,1200,M0001,field
Ada,2024-05-20,251,1200,M0002,lab
""",
    "pairs": """meter_file,reference_file,meter_id,reference_id,comparison_id,rider_id
ride-a.csv,ride-b.csv,M0003,T1,kept,
""",
    "bench-mistyped": """session_id,meter_id,measured_at,mass_kg,crank_length_mm,load,torque_nm
S-mistyped,M0004,2024-07-30T09:00:00Z,20,17,mass,33.75
S-mistyped,M0004,2024-07-30T09:00:00Z,20,170,zero,0.1
""",
}


def write_tables(folder: Path) -> Path:
    """The team's tables as CSV files; M0010 is out of its narrow tolerance."""
    frames = contract_frames(simulate_fleet(FleetOptions(n_meters=10, years=1.5, n_trainers=2), 5))
    narrow = pl.col("meter_id") == NARROW
    frames["meters"] = frames["meters"].with_columns(
        tolerance_pct=pl.when(narrow).then(0.3),
        stated_accuracy_pct=pl.when(narrow).then(0.2),
        warranty_until=pl.when(narrow).then(pl.lit("2024-09-30")),
        serial_number=pl.when(pl.col("meter_id") == KNOWN_SERIAL).then(pl.lit(str(SERIAL))),
        state=pl.when(pl.col("meter_id") == LENT).then(pl.lit("lent")).otherwise(pl.lit("active")),
    )
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        frame.write_csv(folder / f"{name}.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")
    return add_tables(folder, SEASON_TABLES)


def add_tables(folder: Path, texts: Mapping[str, str]) -> Path:
    """Tables as text, written beside the others."""
    for name, text in texts.items():
        (folder / f"{name}.csv").write_text(text, "utf-8")
    return folder


def ridden(day: date, seed: int) -> Pair:
    """Twenty minutes outdoors on a day, recorded by a meter and by a reference."""
    pair = simulate_pair(np.random.default_rng(seed), Truth(), kind="outdoor", minutes=20)
    begun = datetime(day.year, day.month, day.day, 9, tzinfo=UTC)
    later = begun - pair.meter["time"][0]
    meter, reference = (
        frame.with_columns(pl.col("time") + later) for frame in (pair.meter, pair.reference)
    )
    return replace(pair, meter=meter, reference=reference)


def season_store(folder: Path) -> Path:
    """The team's store, loaded and fitted, in which nothing waits for an answer."""
    path = folder / "team.duckdb"
    assert main(["load", str(write_tables(folder / "tables")), "--store", str(path)]) == 0
    return path


def store(folder: Path) -> Path:
    """The team's store, loaded and fitted, its own day TODAY; a row is set aside, events wait."""
    tables = add_tables(write_tables(folder / "tables"), OPEN)
    pair = ridden(date(2024, 7, 21), 7)
    (tables / "ride-a.csv").write_bytes(csv_of(pair.meter))
    (tables / "ride-b.csv").write_bytes(csv_of(pair.reference))
    path = folder / "whole.duckdb"
    with Store(path).writing() as db:
        db.set_setting("today", TODAY.isoformat())
    assert main(["load", str(tables), "--store", str(path)]) == 1  # a row is set aside
    run.hindcast(run.Fleet.at(path))  # is kept with the data
    return path
