"""Which file is what: names, columns, folders, recordings; tables without a store."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.load import NothingToLoadError, load_uploads, read_tables, set_aside_rows
from ingest.load.sources import gather
from ingest.readers import is_recording, plain_name, read_csv
from ingest.readers.tables.recognise import table_by_columns, table_by_name
from ingest.schema import TABLES
from ingest.store import Store
from tests.ingest import team


@pytest.mark.parametrize(
    ("name", "table"),
    [
        ("bench", "bench"),
        ("bench-2026-03", "bench"),
        ("Bench 2026", "bench"),
        ("bench2026", "bench"),
        ("mass_sets", "mass_sets"),
        ("Mass sets north", "mass_sets"),
        ("benchmarks", None),
        ("my bench", None),
        ("pairs_of_wheels", "pairs"),
        ("meterstick", None),
    ],
)
def test_table_by_name(name: str, table: str | None) -> None:
    found = table_by_name(name)
    assert (found.name if found else None) == table


@pytest.mark.parametrize("name", TABLES)
def test_table_by_all_its_columns(name: str) -> None:
    found = table_by_columns(TABLES[name].names)
    assert found is not None
    assert found.name == name


@pytest.mark.parametrize("name", team.TEAM)
def test_table_by_the_teams_columns(name: str) -> None:
    found = table_by_columns(team.header(team.TEAM[name]))
    if name == "riders":  # rider_id, coach and a date: nothing else has a coach
        assert found is not None
    assert found is None or found.name == name


def test_unknown_columns_are_no_table() -> None:
    assert table_by_columns(["who", "what"]) is None
    assert table_by_columns(["rider_id", "bib", "shirt", "helmet"]) is None


@pytest.mark.parametrize(
    ("cell", "name"),
    [
        ("Torque (N·m)", "torque_nm"),
        ("  Crank length [mm] ", "crank_length_mm"),
        ("Temperature °C", "temperature_c"),
        ("tolerance %", "tolerance_pct"),
        ("METER-ID", "meter_id"),
    ],
)
def test_header_cells_as_people_write_them(cell: str, name: str) -> None:
    assert plain_name(cell) == name


def test_folders_are_searched(tmp_path: Path) -> None:
    deep = tmp_path / "2024" / "march"
    team.write_team(deep, {"bench": team.BENCH})
    team.write_team(tmp_path, {"meters": team.METERS})
    rides = tmp_path / "rides"
    rides.mkdir()
    (rides / "a.fit").write_bytes(b"\x0e")
    (rides / "b.TCX").write_bytes(b"<x/>")
    (rides / "c.csv").write_text("time,power_w,cadence_rpm\n0,200,90\n")
    (rides / "d.fit.gz").write_bytes(b"\x1f\x8b")
    (tmp_path / ".hidden.csv").write_text("x")
    (tmp_path / "~$team.xlsx").write_bytes(b"x")
    (tmp_path / "photo.jpg").write_bytes(b"x")
    found = gather([tmp_path, tmp_path / "meters.csv"])
    assert sorted(f.name for f in found.files) == ["bench.csv", "meters.csv"]
    assert sorted(f.name for f in found.recordings) == ["a.fit", "b.TCX", "c.csv", "d.fit.gz"]
    assert [f.name for f in found.left_out] == ["photo.jpg"]
    _, report = team.load(tmp_path, tmp_path)
    assert report.clean
    assert len(report.recordings) == 4
    assert report.notices[0] == "no tables, and left out: photo.jpg."


def test_a_path_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(NothingToLoadError, match="no such file or folder"):
        team.load(tmp_path, tmp_path / "gone")
    assert not (tmp_path / "team.duckdb").exists()


def test_a_recording_is_no_table() -> None:
    assert is_recording(["Time", "Power (W)"])
    assert not is_recording(["measured_at", "meter_w"])


def test_rows_count_as_a_spreadsheet_shows_them() -> None:
    text = '\nitem,unit_cost\r\n"a\nb",1\r\n\r\n,,\r\nc,2\r\nd,3,,\r\n'
    raw = read_csv("costs.csv", text.encode())
    assert (raw.header_row, raw.rows) == (2, [3, 6, 7])
    assert raw.frame.rows() == [("a\nb", "1"), ("c", "2"), ("d", "3")]


def test_separator_line_of_a_spreadsheet() -> None:
    raw = read_csv("costs.csv", b"sep=;\r\nitem;unit_cost\r\nbattery;3,5\r\n")
    assert raw.frame.rows() == [("battery", "3,5")]
    assert raw.rows == [2]


def test_title_above_the_header(tmp_path: Path) -> None:
    (tmp_path / "costs.csv").write_text("Our costs 2024\n\nitem,unit_cost\nbattery,3\n")
    _, report = team.load(tmp_path, tmp_path / "costs.csv")
    assert report.rows_loaded == 1
    assert report.notices == ["costs.csv: what stands above the header (row 3) was kept out."]


# --- without a store ------------------------------------------------------------------------


def test_tables_without_a_store(tmp_path: Path) -> None:
    folder = team.write_team(tmp_path / "tables")
    found = read_tables([folder])
    assert not list(tmp_path.glob("*.duckdb*"))
    assert found.problems == []
    store, _ = team.load(tmp_path, folder)
    with store.reading() as db:
        for name, frame in found.frames.items():
            assert frame.sort(frame.columns).equals(db.frame(name).sort(frame.columns)), name
    assert set(found.frames) == set(team.TEAM)


def test_tables_over_several_files(tmp_path: Path) -> None:
    repeat = team.reading(number=None)
    one = team.write_csv(tmp_path / "bench-a.csv", [team.reading(number=1), repeat, repeat])
    two = [team.reading(number=1), repeat, repeat, repeat, team.reading(number=2, arm="x")]
    found = read_tables([one, team.write_csv(tmp_path / "bench-b.csv", two)])
    assert found.frames["bench"].height == 4
    assert [(p.row, p.column) for p in found.problems] == [(6, "arm")]
    assert found.incomplete == {"S1"}


def test_tables_lean_on_each_other(tmp_path: Path) -> None:
    lean = [team.reading(mass_kg=None, crank_length_mm=None)]
    bench = team.write_csv(tmp_path / "bench.csv", lean)
    assert [p.column for p in read_tables([bench]).problems] == ["mass_kg", "crank_length_mm"]
    masses = team.write_csv(tmp_path / "mass_sets.csv", team.MASS_SETS)
    cranks = team.write_csv(tmp_path / "installations.csv", team.INSTALLATIONS)
    assert read_tables([bench, masses, cranks]).problems == []


# --- by name and content --------------------------------------------------------------------


def test_uploads_are_known_by_their_name(tmp_path: Path) -> None:
    store = Store(tmp_path / "team.duckdb")
    bad = b"item,unit_cost\nbattery,3\nbench_hour,x\n"
    ride = b"time,power_w\n0,200\n"
    report = load_uploads(store, [("C:\\team\\costs.csv", bad), ("ride.csv", ride)])
    assert [(e.path, e.rows_loaded, e.rows_set_aside) for e in report.files] == [
        ("costs.csv", 1, 1)
    ]
    assert [f.name for f in report.recordings] == ["ride.csv"]
    load_uploads(store, [("costs.csv", bad)])
    assert set_aside_rows(store).height == 1
    report = load_uploads(store, [("costs.csv", bad.replace(b"x", b"45"))])
    assert (report.files[0].rows_loaded, report.files[0].rows_unchanged) == (1, 1)
    assert set_aside_rows(store).is_empty()
