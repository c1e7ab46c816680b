"""Rows that stand in no file: checked, merged, claimed and taken back like a file's."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from ingest.load import (
    commit_rows,
    commit_tables,
    draft_rows,
    entry_of,
    imports,
    load_frames,
    load_paths,
    read_tables,
    replace_session,
    set_aside_rows,
    take_back,
    undo_import,
)
from ingest.load.typed_rows import MOST_ROWS, EntryRefusedError
from ingest.schema import TABLES
from ingest.store import Store, changes
from ingest.validate import Entry, check_entry
from tests.ingest import team

AT = datetime(2026, 3, 1, 7, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    store, _ = team.load(tmp_path, team.write_team(tmp_path / "tables", {"meters": team.METERS}))
    return store


def zeros(*counts: float) -> pl.DataFrame:
    """Zero readings of M1, an hour apart, as the program finds them in recordings."""
    rows = [{"meter_id": "M1", "measured_at": AT.replace(hour=7 + n)} for n in range(len(counts))]
    return pl.DataFrame(rows).with_columns(zero_raw=pl.Series(counts, dtype=pl.Float64))


@pytest.mark.parametrize("name", team.TEAM)
def test_typed_rows_are_kept_as_the_same_rows_of_a_file(tmp_path: Path, name: str) -> None:
    """Cells with their types, and the same cells as a form sends them, against a CSV file."""
    everything = team.write_team(tmp_path / "tables")
    kept = read_tables([everything]).frames[name]
    typed = check_entry(Entry(TABLES[name], kept, "entry"), zone="UTC")
    assert typed.set_aside == []
    assert typed.frame.drop("row_").equals(kept)
    assert draft_rows(name, team.TEAM[name]).equals(kept)


@pytest.mark.parametrize(
    ("column", "typed", "text"),
    [
        ("zero_raw", 2e9, "2e9"),
        ("battery_v", 25.5, "25.5"),
        ("measured_at", AT.replace(1980), "1980-03-01T07:00:00.000Z"),
    ],
)
def test_a_bad_value_and_a_bad_cell_are_said_alike(column: str, typed: object, text: str) -> None:
    good = zeros(12).with_columns(battery_v=pl.lit(3.0))
    bad = good.with_columns(pl.lit(typed).alias(column))
    written = good.with_columns(pl.lit(text).alias(column))
    found = [
        check_entry(Entry(TABLES["zeros"], frame, "e"), zone="UTC") for frame in (bad, written)
    ]
    [value], [cell] = (checked.set_aside[0].problems for checked in found)
    assert (value.row, value.column, value.expected) == (cell.row, cell.column, cell.expected)
    assert value.fix == cell.fix
    assert [checked.frame.height for checked in found] == [0, 0]


def test_a_refused_entry_leaves_nothing(store: Store) -> None:
    fell = {"meter_id": "M1", "date": "2026-03-01", "event": "fell"}
    session = [team.reading(number=1, bench_id=None)]
    commit_rows(store, "bench", session, name="S1")
    before = team.contents(store), imports(store).rows()
    with pytest.raises(EntryRefusedError, match=r'row 1, event: found "fell", expected one of'):
        commit_rows(store, "events", [fell], name="x")
    with pytest.raises(EntryRefusedError, match="not saved: reading 1, torque_nm"):
        commit_rows(store, "bench", [session[0] | {"torque_nm": 34}], name="other")
    assert (team.contents(store), imports(store).rows()) == before
    assert set_aside_rows(store, only_open=False).is_empty()


def test_the_same_entry_again_is_no_second_one(store: Store) -> None:
    rows = [{"meter_id": "M1", "date": "2026-03-01", "event": "crash"}]
    first = commit_rows(store, "events", rows, name="M1 crash")
    again = commit_rows(store, "events", rows, name="M1 crash")
    under_another_name = commit_rows(store, "events", rows, name="fell off")
    assert (first.already, again.already, under_another_name.already) == (False, True, True)
    assert again.import_id == first.import_id
    undo_import(store, under_another_name.import_id)
    assert team.live(store, "events").height == 1
    take_back(store, first.import_id, tables=["events"])
    assert team.live(store, "events").is_empty()
    assert not commit_rows(store, "events", rows, name="M1 crash").already


def test_only_entries_of_the_tables_named_are_taken_back(store: Store) -> None:
    entered = commit_rows(
        store, "events", [{"meter_id": "M1", "date": "2026-03-01", "event": "crash"}], name="x"
    )
    for import_id, tables in ((entered.import_id, ["bench"]), (1, ["meters"])):
        with pytest.raises(EntryRefusedError, match="was no entry of this page"):
            take_back(store, import_id, tables=tables)


@pytest.mark.parametrize("count", [0, MOST_ROWS + 1])
def test_an_entry_has_rows_and_not_too_many(store: Store, count: int) -> None:
    with pytest.raises(EntryRefusedError, match=f"found {count} rows, expected 1 to"):
        commit_rows(store, "events", [{}] * count, name="x")


def test_what_the_program_found_grows_from_load_to_load(store: Store, tmp_path: Path) -> None:
    """A bad row is set aside once; a row found before is unchanged; each table is one import."""
    tables = {"zeros": zeros(12, 2e9), "events": TABLES["events"].empty()}
    [first] = load_frames(store, tables, known_in=tmp_path / "found").files
    assert (first.table, first.rows_loaded, first.rows_set_aside) == ("zeros", 1, 1)
    [again] = load_frames(store, {"zeros": zeros(12, 2e9, 13)}, known_in=tmp_path / "found").files
    assert (again.rows_loaded, again.rows_unchanged, again.rows_set_aside) == (1, 1, 1)
    assert set_aside_rows(store).height == 1
    assert Path(imports(store)["path"][0]) == tmp_path / "found" / "zeros.csv"
    assert not (tmp_path / "found").exists()
    assert team.live(store, "zeros")["zero_raw"].to_list() == [12, 13]


def torques(store: Store) -> list[float]:
    return team.live(store, "bench").sort("reading")["torque_nm"].to_list()


def session(*values: float, **cells: object) -> list[team.Row]:
    return [team.reading(number=n, torque_nm=v, **cells) for n, v in enumerate(values, 1)]


def test_a_corrected_session_keeps_its_old_versions(store: Store, tmp_path: Path) -> None:
    file = team.write_csv(tmp_path / "bench.csv", session(33.1, 33.2, 33.3))
    load_paths(store, [file])
    first = replace_session(store, "bench", session(33.1, 34.2), name="S1")
    second = replace_session(store, "bench", session(33.1, 34.4, slope_before=5.7), name="S1")
    again = replace_session(store, "bench", session(33.1, 34.4, slope_before=5.7), name="S1")
    assert (again.already, again.import_id) == (True, second.import_id)
    assert torques(store) == [33.1, 34.4]
    logged = changes(store).filter(what="bench session corrected")
    assert json.loads(logged["before"][0]) == {
        "reading 2, torque_nm": "34.2",
        "slope_before": "5.69",
    }
    assert json.loads(logged["after"][0]) == {"reading 2, torque_nm": "34.4", "slope_before": "5.7"}
    assert json.loads(logged["before"][1])["reading 3, torque_nm"] == "33.3"
    assert entry_of(store, "bench", "S1") == (second.import_id, True)
    take_back(store, second.import_id, tables=["bench"])
    assert torques(store) == [33.1, 34.2]
    take_back(store, first.import_id, tables=["bench"])
    assert torques(store) == [33.1, 33.2, 33.3]
    assert entry_of(store, "bench", "S1") == (2, False)


def test_a_file_does_not_undo_a_correction(store: Store, tmp_path: Path) -> None:
    rows = session(33.1, 33.2)
    load_paths(store, [team.write_csv(tmp_path / "bench.csv", rows)])
    replace_session(store, "bench", session(33.1, 34.2), name="S1")
    grown = [*rows, team.reading("S2", number=1, torque_nm=35.0)]
    report = load_paths(store, [team.write_csv(tmp_path / "bench.csv", grown)])
    assert (report.rows_loaded, report.set_aside) == (1, [])
    assert "Corrected here by hand since, and left so: 1 row." in report.notices[0]
    assert sorted(torques(store)) == [33.1, 34.2, 35.0]


def test_a_session_that_is_not_there_is_not_replaced(store: Store) -> None:
    with pytest.raises(EntryRefusedError, match="there is no session S9 any more"):
        replace_session(store, "bench", session(33.1), name="S9")


def test_tables_are_entered_together_or_not_at_all(store: Store) -> None:
    entries = [
        ("meters", [{"meter_id": "M1", "state": "lent"}]),
        ("assignments", [{"meter_id": "M1", "from_date": "soon"}]),
    ]
    with pytest.raises(EntryRefusedError, match='from_date: found "soon"'):
        commit_tables(store, entries, name="M1 lent")
    assert team.live(store, "meters")["state"].to_list() == [None, None]
    entries[1][1][0]["from_date"] = "2026-03-01"
    for _ in range(2):
        imports_made = commit_tables(store, entries, name="M1 lent")
        assert team.live(store, "assignments").height == 1
    assert len(imports_made) == 2
