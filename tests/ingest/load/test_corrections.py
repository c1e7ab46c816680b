"""Set-aside rows: listed, corrected in place, carried out and in, never doubled."""

from __future__ import annotations

import csv
from pathlib import Path

import polars as pl
import pytest

from ingest.load import (
    correct_set_aside,
    dismiss_set_aside,
    export_set_aside,
    imports,
    load_paths,
    set_aside_rows,
    undo_import,
)
from ingest.load.corrections import CorrectionError, retry_lacking
from ingest.store import Store
from tests.ingest import team

BAD = team.reading(number=2, torque_nm="33,9 foo", crank_length_mm=17.25)


@pytest.fixture
def bad(tmp_path: Path) -> tuple[Store, Path]:
    file = team.write_csv(tmp_path / "bench.csv", [team.reading(number=1), BAD])
    store, report = team.load(
        tmp_path, team.write_csv(tmp_path / "mass_sets.csv", team.MASS_SETS), file
    )
    assert [p.column for p in report.set_aside] == ["crank_length_mm", "torque_nm"]
    return store, file


def incomplete(store: Store) -> list[str]:
    with store.reading() as db:
        return db.query("set_aside/incomplete_sessions")["session_id"].to_list()


def only_open(store: Store) -> int:
    (number,) = set_aside_rows(store)["set_aside_id"]
    return int(number)


def test_listed(bad: tuple[Store, Path]) -> None:
    store, file = bad
    rows = set_aside_rows(store)
    assert rows.select("file", "table_name", "row", "session_id").rows() == [
        (str(file), "bench", 3, "S1")
    ]
    assert 'found "17.25", expected millimetres, 100 to 250' in rows["text"][0]
    assert incomplete(store) == ["S1"]


def test_loading_the_same_bad_file_again_does_not_double(bad: tuple[Store, Path]) -> None:
    store, file = bad
    report = load_paths(store, [file])
    assert [p.column for p in report.set_aside] == ["crank_length_mm", "torque_nm"]
    assert (report.files[0].rows_unchanged, report.files[0].rows_set_aside) == (1, 1)
    assert set_aside_rows(store, only_open=False).height == 1


def test_rows_above_may_shift_a_bad_row(bad: tuple[Store, Path]) -> None:
    store, file = bad
    team.write_csv(file, [team.reading(number=1), team.reading(number=9), BAD])
    load_paths(store, [file])
    assert set_aside_rows(store, only_open=False).height == 1


def test_corrected_in_place_step_by_step(bad: tuple[Store, Path]) -> None:
    store, file = bad
    number = only_open(store)
    first = correct_set_aside(store, number, {"crank_length_mm": "172,5"})
    assert [p.column for p in first.set_aside] == ["torque_nm"]
    assert incomplete(store) == ["S1"]
    second = correct_set_aside(store, number, {"torque_nm": "33.9"})
    assert second.clean
    assert (second.files[0].rows_read, second.files[0].rows_loaded) == (1, 1)
    assert set_aside_rows(store).is_empty()
    assert incomplete(store) == []
    got = (
        team.live(store, "bench").sort("reading").select("reading", "crank_length_mm", "torque_nm")
    )
    assert got.rows() == [(1, 172.5, 33.92), (2, 172.5, 33.9)]
    # The file itself is as bad as ever: the correction holds.
    again = load_paths(store, [file])
    assert again.clean
    assert again.files[0].rows_unchanged == 2
    assert any("row 3 was settled by hand" in notice for notice in again.notices)


def test_a_corrected_file_resolves_its_rows(bad: tuple[Store, Path]) -> None:
    store, file = bad
    team.write_csv(file, [team.reading(number=1), team.reading(number=2)])
    report = load_paths(store, [file])
    assert (report.files[0].rows_loaded, report.files[0].rows_unchanged) == (1, 1)
    assert set_aside_rows(store).is_empty()
    resolved = set_aside_rows(store, only_open=False)
    assert resolved["resolution"].to_list() == ["reloaded"]
    undo_import(store, report.import_ids[0])
    assert only_open(store) == resolved["set_aside_id"][0]
    assert incomplete(store) == ["S1"]


def test_a_correction_can_be_undone(bad: tuple[Store, Path]) -> None:
    store, _ = bad
    number = only_open(store)
    report = correct_set_aside(store, number, {"crank_length_mm": "172.5", "torque_nm": "33.9"})
    undo_import(store, report.import_ids[0])
    assert team.live(store, "bench").height == 1
    assert only_open(store) == number


def test_carried_out_corrected_and_in_again(bad: tuple[Store, Path], tmp_path: Path) -> None:
    store, _ = bad
    (file,) = export_set_aside(store, tmp_path / "out")
    with file.open(encoding="utf-8-sig", newline="") as stream:
        lines = list(csv.reader(stream))
    head, row = lines
    assert "Looks like centimetres" in row[1]
    row[head.index("crank_length_mm")] = "172.5"
    with file.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([head, row])
    half = load_paths(store, [file])
    assert [p.column for p in half.set_aside] == ["torque_nm"]
    assert set_aside_rows(store).height == 1
    row[head.index("torque_nm")] = "33.9"
    with file.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([head, row])
    report = load_paths(store, [file])
    assert report.clean
    assert not any("set_aside" in notice for notice in report.notices)
    assert set_aside_rows(store).is_empty()
    assert team.live(store, "bench").height == 2


def test_dismissed_rows_stay_away(bad: tuple[Store, Path]) -> None:
    store, file = bad
    dismiss_set_aside(store, only_open(store))
    assert set_aside_rows(store).is_empty()
    assert load_paths(store, [file]).clean


def test_what_cannot_be_corrected_is_said(bad: tuple[Store, Path], tmp_path: Path) -> None:
    store, _ = bad
    with pytest.raises(CorrectionError, match="no open set-aside row 99"):
        correct_set_aside(store, 99, {})
    with pytest.raises(CorrectionError, match="bench has no column torque"):
        correct_set_aside(store, only_open(store), {"torque": "1"})
    (tmp_path / "costs.csv").write_text("item\nbattery\n")
    load_paths(store, [tmp_path / "costs.csv"])
    whole = set_aside_rows(store).filter(pl.col("table_name") == "costs")["set_aside_id"][0]
    with pytest.raises(CorrectionError, match="mend it, and load it again"):
        correct_set_aside(store, whole, {"unit_cost": "3"})


def test_what_was_lacking_arrives_later(tmp_path: Path) -> None:
    """A reading without a mass waits for its mass set, one without a crank for its meter."""
    rows = [
        team.reading(number=1, mass_kg=None),
        team.reading("S2", 1, meter_id="M2", crank_length_mm=None),
        team.reading("S3", 1, torque_nm="x"),
    ]
    store, report = team.load(tmp_path, team.write_csv(tmp_path / "bench.csv", rows))
    assert [p.column for p in report.set_aside] == ["mass_kg", "crank_length_mm", "torque_nm"]
    _, report = team.load(tmp_path, team.write_csv(tmp_path / "mass_sets.csv", team.MASS_SETS))
    assert any("What 1 bench row lacked is in" in n for n in report.notices)
    _, report = team.load(tmp_path, team.write_csv(tmp_path / "meters.csv", team.METERS))
    assert imports(store)["kind"].to_list() == ["correction", "load", "correction", "load", "load"]
    assert incomplete(store) == ["S3"]
    assert team.live(store, "bench").height == 2
    assert retry_lacking(store) == 0


def test_one_load_in_any_order_needs_no_waiting(tmp_path: Path) -> None:
    """The mass set stands in a file that sorts, and loads, after nothing of its own."""
    rows = [team.reading(number=1, mass_kg=None, crank_length_mm=None)]
    bench = team.write_csv(tmp_path / "a-bench.csv", rows)
    masses = team.write_csv(tmp_path / "z-mass.csv", team.MASS_SETS)
    cranks = team.write_csv(tmp_path / "y.csv", team.INSTALLATIONS)
    _, report = team.load(tmp_path, bench, masses, cranks)
    assert report.clean, report.set_aside
    assert [e.table for e in report.files] == ["mass_sets", "installations", "bench"]
