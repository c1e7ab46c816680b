"""Text stays as it is, computes nothing in a spreadsheet program and moves no terminal."""

import csv
import os
import time
from pathlib import Path

import polars as pl
import pytest

from dashboard.cli import main
from ingest.load import export_set_aside, load_paths
from ingest.load.look_alikes import look_alikes
from ingest.store import Store, export_tables
from tests.ingest import team

LIVE = ["=HYPERLINK(1)", "+1+cmd", "-2+3|x", "@SUM(A1)", "'=1+1"]


def cells_of(file: Path) -> list[str]:
    with file.open(encoding="utf-8-sig", newline="") as stream:
        return [cell for row in csv.reader(stream) for cell in row]


def meters(*names: str) -> list[team.Row]:
    return [team.METERS[0] | {"meter_id": name} for name in names]


def test_no_cell_of_an_export_is_computed_and_all_load_as_they_were(tmp_path: Path) -> None:
    given = team.write_csv(tmp_path / "meters.csv", meters(*LIVE))
    store, _ = team.load(tmp_path, given)
    before = team.live(store, "meters")
    kept = [name.removeprefix("'") if name.startswith("'=") else name for name in LIVE]
    assert sorted(before["meter_id"]) == sorted(kept)
    [file] = export_tables(store, tmp_path / "out")
    assert not [cell for cell in cells_of(file) if cell.startswith(("=", "+", "-", "@"))]
    again, _ = team.load(tmp_path / "out", file)
    assert team.live(again, "meters").equals(before)


def test_no_cell_that_was_set_aside_is_computed(tmp_path: Path) -> None:
    rows = [team.METERS[0] | {"meter_id": name, "kind": "-1+1"} for name in LIVE]
    store, report = team.load(tmp_path, team.write_csv(tmp_path / "meters.csv", rows))
    assert len(report.set_aside) == len(LIVE)
    files = export_set_aside(store, tmp_path / "out")
    cells = [cell for file in files for cell in cells_of(file)]
    assert any("SUM" in cell for cell in cells)
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]


def test_numbers_below_zero_stay_numbers(tmp_path: Path) -> None:
    store, _ = team.load(tmp_path, team.write_csv(tmp_path / "m.csv", meters("-5", "M1")))
    files = export_tables(store, tmp_path / "out")
    assert "-5" in cells_of(files[0])


def test_names_that_look_the_same_are_told(tmp_path: Path) -> None:
    alike = ["M1", "m1", "M 1", "\u041c1", "\uff2d1", "M\u200b1"]
    assert look_alikes(alike) == [sorted(alike)]
    assert look_alikes(["M1", "M11", "M-1", "N1", "M2"]) == []
    file = team.write_csv(tmp_path / "meters.csv", meters(*alike[:5], "M2"))
    _, report = team.load(tmp_path, file)
    [told] = [notice for notice in report.notices if "look alike" in notice]
    assert "taken as 5 different ones" in told
    assert '"\u041c1" (with U+041C)' in told


def test_no_control_character_reaches_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    evil = "M1\x1b]0;gone\x07\x1b[2J\x9b31m\u202e"
    file = team.write_csv(tmp_path / "meters.csv", [{**meters(evil)[0], "kind": evil}])
    for form in ("table", "csv", "json"):
        store = str(tmp_path / f"{form}.duckdb")
        main(["load", str(file), "--no-fit", "--store", store, "--format", form])
        main(["set-aside", "--store", store, "--format", form])
        main(["history", evil, "--store", store, "--format", form])
    said = "".join(capsys.readouterr())
    assert "gone" in said
    assert not [sign for sign in "\x1b\x07\x9b\u202e" if sign in said]


def test_a_store_of_a_clock_that_was_ahead_is_read_once(tmp_path: Path) -> None:
    store, _ = team.load(tmp_path, team.write_team(tmp_path / "tables"))
    ahead = time.time() + 86_400
    os.utime(store.path, (ahead, ahead))
    stamp = store.stamp()
    assert stamp is not None
    assert store.stamp() == stamp
    load_paths(store, [team.write_csv(tmp_path / "meters-2.csv", meters("M9"))])
    assert store.settled_stamp() != stamp
    assert isinstance(Store(store.path).settled_stamp(), tuple)
    assert pl.Series(team.live(store, "meters")["meter_id"]).is_in(["M9"]).any()
