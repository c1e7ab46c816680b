"""Stores of offline benches merged: without retyping, twice without change, conflicts said."""

from pathlib import Path

import polars as pl
import pytest

from ingest.load import load_paths
from ingest.store import Store

METERS = "meter_id,kind,in_service_date,slope_convention,factory_slope\n{}"
HEAD = (
    "session_id,meter_id,measured_at,mass_kg,crank_length_mm,load,torque_nm,"
    "slope_before,slope_after\n"
)
ZEROS = "meter_id,measured_at,zero_nm,temperature_c\nA,2025-0{}-01T08:00:00Z,0.123456789,7\n"


def session(name: str, meter: str, day: str, before: float, after: str = "") -> str:
    head = f"{name},{meter},{day}T10:00:00Z"
    return f"{head},0,172.5,zero,0.1,{before},{after}\n{head},20,172.5,mass,34.1,{before},{after}\n"


@pytest.fixture
def team(tmp_path: Path) -> tuple[Store, Store]:
    """A workshop's store and a truck's: the same two meters, each with sessions of its own."""
    stores = []
    for place, rows in (
        ("workshop", session("w1", "A", "2025-03-01", 5.7, "5.65")),
        ("truck", session("t1", "A", "2025-06-01", 5.7) + session("t2", "B", "2025-06-02", 5.5)),
    ):
        folder = tmp_path / place
        folder.mkdir()
        lines = "".join(f"{m},crank_spider,2024-01-01,multiplier,5.7\n" for m in "AB")
        (folder / "meters.csv").write_text(METERS.format(lines))
        (folder / "bench.csv").write_text(HEAD + rows)
        (folder / "zeros.csv").write_text(ZEROS.format(len(stores) + 1))
        stores.append(Store(tmp_path / f"{place}.duckdb"))
        assert load_paths(stores[-1], [folder]).clean
    return stores[0], stores[1]


def rows(store: Store, table: str) -> pl.DataFrame:
    with store.reading() as db:
        return db.frame(table)


def test_everything_comes_over_once(team):
    """Rows known already count as unchanged; numbers and instants come over to the last digit."""
    workshop, truck = team
    first = load_paths(workshop, [truck.path])
    assert first.clean
    counts = {entry.table: (entry.rows_loaded, entry.rows_unchanged) for entry in first.files}
    assert counts == {"meters": (0, 2), "bench": (4, 0), "zeros": (1, 0)}
    assert set(rows(workshop, "bench")["session_id"]) == {"w1", "t1", "t2"}
    there = rows(truck, "zeros")
    here = rows(workshop, "zeros").filter(
        pl.col("measured_at").is_in(there["measured_at"].implode())
    )
    assert here.equals(there)


def test_twice_changes_nothing(team):
    workshop, truck = team
    load_paths(workshop, [truck.path])
    with workshop.reading() as db:
        before = db.data_version()
    again = load_paths(workshop, [truck.path])
    assert again.rows_loaded == 0
    assert again.clean
    with workshop.reading() as db:
        assert db.data_version() == before


def test_slope_chains_that_contradict_each_other_are_listed(team):
    """The truck found 5.7 in A, which the workshop had set to 5.65 before."""
    workshop, truck = team
    said = load_paths(workshop, [truck.path]).notices
    chain = [text for text in said if "slope_before" in text]
    assert len(chain) == 1
    assert "A" in chain[0]
    assert "5.65" in chain[0]


def test_the_same_session_with_other_readings_is_a_conflict(team, tmp_path):
    workshop, _ = team
    folder = tmp_path / "other"
    folder.mkdir()
    text = session("w1", "A", "2025-03-01", 5.71, "5.65")
    (folder / "bench.csv").write_text(HEAD + text)
    other = Store(tmp_path / "other.duckdb")
    load_paths(other, [folder])
    report = load_paths(workshop, [other.path])
    assert not report.clean
    assert rows(workshop, "bench").height == 2


def test_a_file_that_is_no_store_is_said(tmp_path):
    wrong = tmp_path / "wrong.duckdb"
    wrong.write_bytes(b"nothing of the kind")
    report = load_paths(Store(tmp_path / "s.duckdb"), [wrong])
    assert "cannot be read" in report.set_aside[0].found
