"""Broken rows and files: each is set aside with a message that says what to do."""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pytest
import xlsxwriter

from ingest.load import read_tables
from ingest.load.report import LoadReport
from ingest.schema import Problem
from ingest.store import Store
from tests.ingest import team

HEADER = (
    "session_id,meter_id,measured_at,mass_kg,crank_length_mm,load,torque_nm,slope_before,reading"
)


@dataclass(frozen=True)
class Broken:
    """A bench row, the column that is wrong with it, and words that the fix must hold."""

    line: str
    column: str | None
    fix: str
    expected: str = ""


ROWS = {
    "centimetres": Broken(
        "S1,M1,2024-03-14T09:30,20,17.25,mass,33.9,5.69,11",
        "crank_length_mm",
        "centimetres: that is 172.5 mm",
        "millimetres, 100 to 250",
    ),
    "inches": Broken(
        "S1,M1,2024-03-14T09:30,20,6.79,mass,33.9,5.69,12",
        "crank_length_mm",
        "inches: that is 172.4660 mm",
    ),
    "pounds": Broken(
        "S1,M1,2024-03-14T09:30,44.1 lb,172.5,mass,33.9,5.69,13", "mass_kg", "20.003424 kg"
    ),
    "grams": Broken(
        "S1,M1,2024-03-14T09:30,20023,172.5,mass,33.9,5.69,14",
        "mass_kg",
        "grams: that is 20.0230 kg",
    ),
    "a unit of something else": Broken(
        "S1,M1,2024-03-14T09:30,20 mm,172.5,mass,33.9,5.69,15", "mass_kg", "alone, in kg, without"
    ),
    "day first": Broken(
        "S1,M1,14.03.2024 09:30,20,172.5,mass,33.9,5.69,16",
        "measured_at",
        "write 2024-03-14T09:30",
    ),
    "day or month first": Broken(
        "S1,M1,03/04/2024,20,172.5,mass,33.9,5.69,17", "measured_at", "2024-04-03 or 2024-03-04"
    ),
    "no such day": Broken(
        "S1,M1,2024-02-30T09:30,20,172.5,mass,33.9,5.69,18", "measured_at", "there is no such"
    ),
    "time alone": Broken(
        "S1,M1,09:30,20,172.5,mass,33.9,5.69,19", "measured_at", "without its date"
    ),
    "spreadsheet's day number": Broken(
        "S1,M1,45365,20,172.5,mass,33.9,5.69,20", "measured_at", "2024-03-14"
    ),
    "no number": Broken(
        "S1,M1,2024-03-14T09:30,20,172.5,mass,abc,5.69,21", "torque_nm", "write a number"
    ),
    "failed formula": Broken(
        "S1,M1,2024-03-14T09:30,20,172.5,mass,#DIV/0!,5.69,22", "torque_nm", "formula"
    ),
    "number made a date": Broken(
        "S1,M1,2024-03-14T09:30,20,172.5,mass,2024-03-14 00:00:00,5.69,23",
        "torque_nm",
        "turned the number into a date",
    ),
    "newton millimetres": Broken(
        "S1,M1,2024-03-14T09:30,20,172.5,mass,33920,5.69,24",
        "torque_nm",
        "newton millimetres: that is 33.92 N·m",
    ),
    "no torque": Broken(
        "S1,M1,2024-03-14T09:30,20,172.5,mass,,5.69,25", "torque_nm", "fill in torque_nm"
    ),
    "no session": Broken(
        ",M1,2024-03-14T09:30,20,172.5,mass,33.9,5.69,26", "session_id", "fill in session_id"
    ),
    "unknown choice": Broken(
        "S1,M1,2024-03-14T09:30,20,172.5,masss,33.9,5.69,27", "load", "did you mean mass?"
    ),
    "negative slope": Broken(
        "S1,M1,2024-03-14T09:30,20,172.5,mass,33.9,-5.69,28", "slope_before", "is it 5.69?"
    ),
    "half a reading": Broken(
        "S1,M1,2024-03-14T09:30,20,172.5,mass,33.9,5.69,1.5", "reading", "whole number"
    ),
    "no mass hung": Broken(
        "S1,M1,2024-03-14T09:30,0,172.5,mass,33.9,5.69,29", "mass_kg", "zero as the load"
    ),
    "no mass known": Broken(
        "S1,M1,2024-03-14T09:30,,172.5,mass,33.9,5.69,30", "mass_kg", "bench_id of a mass set"
    ),
    "no crank length known": Broken(
        "S8,M2,2024-03-14T09:30,20,,mass,33.9,5.69,31", "crank_length_mm", "installations"
    ),
    "another meter in the session": Broken(
        "S1,M2,2024-03-14T09:30,20,172.5,mass,33.9,5.69,32", "meter_id", "session's own meter_id"
    ),
    "another time in the session": Broken(
        "S1,M1,2024-03-15T09:30,20,172.5,mass,33.9,5.69,33", "measured_at", "measured_at"
    ),
    "another slope in the session": Broken(
        "S1,M1,2024-03-14T09:30,20,172.5,mass,33.9,5.70,34", "slope_before", "slope_before"
    ),
    "same reading, other value": Broken(
        "S1,M1,2024-03-14T09:30,20,172.5,mass,34.2,5.69,1", "torque_nm", "another reading"
    ),
    "too few cells": Broken("S1,M1,2024-03-14T09:30,20", None, "missing cells"),
    "decimal comma": Broken(
        "S1,M1,2024-03-14T09:30,20,172,5,mass,33.9,5.69,35", None, "decimals with a point"
    ),
    "stray quotation mark": Broken(
        'S1,M1,"2024-03-14T09:30,20,172.5,mass,33.9,5.69,36', None, "quotation mark"
    ),
}
GOOD = [f"S1,M1,2024-03-14T09:30,20,172.5,mass,33.9{i},5.69,{i}" for i in range(1, 6)]


def bench_file(folder: Path, lines: list[str]) -> Path:
    file = folder / "bench.csv"
    file.write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
    return file


@pytest.mark.parametrize("kind", ROWS)
def test_broken_row(kind: str, tmp_path: Path) -> None:
    broken = ROWS[kind]
    found = read_tables([bench_file(tmp_path, [*GOOD[:3], broken.line, *GOOD[3:]])])
    assert found.frames["bench"].height == len(GOOD), found.problems
    problem = found.problems[0]
    assert problem.row == 5
    assert problem.column == broken.column
    assert broken.fix in problem.fix
    assert broken.expected in problem.expected
    if broken.line.startswith(("S1", "S8")):
        assert found.incomplete == {broken.line[:2]}


def test_all_kinds_in_one_file(tmp_path: Path) -> None:
    """Every bad row is set aside with its own row number; all the good ones are in."""
    lines = [broken.line for broken in ROWS.values()]
    file = bench_file(tmp_path, GOOD + lines)
    store, report = team.load(tmp_path, file)
    assert team.live(store, "bench").height == len(GOOD)
    rows = {problem.row for problem in report.set_aside}
    assert rows == {2 + len(GOOD) + i for i in range(len(lines))}
    entry = report.files[0]
    assert entry.rows_read == len(GOOD) + len(lines)
    assert (entry.rows_loaded, entry.rows_set_aside) == (len(GOOD), len(lines))
    with store.reading() as db:
        assert db.query("set_aside/incomplete_sessions")["session_id"].to_list() == ["S1", "S8"]
        kept = db.frame("set_aside")
    assert kept.height == len(lines)
    for problem in report.set_aside:
        sentence = problem.sentence()
        assert "bench.csv, row" in sentence
        assert "found" in sentence
        assert "expected" in sentence
        assert problem.fix


def other_tables() -> dict[str, tuple[str, str, str, str]]:
    """table file → (header, bad line, column, words of the fix)"""
    return {
        "events.csv": (
            "meter_id,reference_id,date,event",
            "M1,T1,2024-03-01,crash",
            "meter_id",
            "keep one",
        ),
        "events-2.csv": ("meter_id,date,event", ",2024-03-01,crash", "meter_id", "fill in one of"),
        "meters.csv": (
            "meter_id,kind,in_service_date,slope_convention",
            "M1,spider,2024-01-01,multiplier",
            "kind",
            "write crank_spider",
        ),
        "meters-2.csv": (
            "meter_id,kind,in_service_date,slope_convention,retired_date",
            "M1,hub,2024-01-01,fixed,2023-01-01",
            "retired_date",
            "swap",
        ),
        "meters-3.csv": (
            "meter_id,kind,in_service_date,slope_convention,tolerance_pct",
            "M1,hub,2024-01-01,fixed,0.015",
            "tolerance_pct",
            "a fraction: that is 1.5 %",
        ),
        "places.csv": ("place_id,latitude_deg", "P1,60.2", "altitude_m", "fill in altitude_m"),
        "places-2.csv": ("place_id,gravity_ms2", "P1,981", "gravity_ms2", "that is 9.81 m/s²"),
        "zeros.csv": (
            "meter_id,measured_at,zero_nm,zero_raw",
            "M1,2024-03-01,,",
            "zero_nm",
            "fill in one of zero_nm, zero_raw",
        ),
        "assignments.csv": (
            "meter_id,from_date,to_date",
            "M1,2024-03-01,2024-02-01",
            "to_date",
            "swap from_date and to_date",
        ),
        "efforts.csv": (
            "rider_id,date,watts,meter_id,reference_id",
            "R1,2024-03-01,300,M1,T1",
            "meter_id",
            "keep one",
        ),
        "comparisons.csv": (
            "comparison_id,meter_id,reference_id,measured_at,step,duration_s,meter_w,reference_w",
            "C1,M1,T1,2024-03-01,1,0,200,200",
            "duration_s",
            "check the value",
        ),
    }


@pytest.mark.parametrize("name", other_tables())
def test_broken_row_of_another_table(tmp_path: Path, name: str) -> None:
    header, line, column, fix = other_tables()[name]
    (tmp_path / name).write_text(f"{header}\n{line}\n", encoding="utf-8")
    found = read_tables([tmp_path / name])
    assert [(p.row, p.column) for p in found.problems] == [(2, column)]
    assert fix in found.problems[0].fix


def whole_files() -> dict[str, tuple[bytes, str, str]]:
    """file name → (bytes, words of what is found, words of the fix)"""
    box = io.BytesIO()
    with zipfile.ZipFile(box, "w") as archive:
        archive.writestr("letter.txt", "hello")
    return {
        "bench.csv": (b"", "empty file", "leave the file out"),
        "bench-blank.csv": (b"\n\n  \n", "empty file", "leave the file out"),
        "bench-noise.csv": (bytes(range(256)) * 20, "not text", "save it as CSV"),
        "bench.xlsx": (box.getvalue(), "no workbook", "save it as .xlsx"),
        "bench-cut.xlsx": (b"PK\x03\x04" + b"x" * 50, "no workbook", "save it as .xlsx"),
        "bench-old.xlsx": (b"\xd0\xcf\x11\xe0" + b"x" * 50, "password", "without a password"),
        "bench.xls": (b"\xd0\xcf\x11\xe0", "a .xls file", "save it as .xlsx"),
        "bench.parquet": (b"PAR1 nothing", "no Parquet", "save it as CSV"),
        "notes.csv": (b"who,what\nAna,tyres\n", "columns who, what", "begin the file's name"),
        "bench-pipes.csv": (
            b"session_id|meter_id\nS1|M1\n",
            "nothing",
            "commas, semicolons or tabs",
        ),
    }


@pytest.mark.parametrize("name", whole_files())
def test_broken_file(tmp_path: Path, name: str) -> None:
    data, found, fix = whole_files()[name]
    (tmp_path / name).write_bytes(data)
    report = _loaded_beside_good(tmp_path)
    problem = _only(report)
    assert found in (problem.found or "nothing")
    assert fix in problem.fix
    assert Path(problem.file).name == name


def _loaded_beside_good(folder: Path) -> LoadReport:
    team.write_csv(folder / "mass_sets.csv", team.MASS_SETS)
    store, report = team.load(folder, folder)
    assert team.live(store, "mass_sets").height == 1
    for entry in report.files:
        parts = entry.rows_loaded + entry.rows_unchanged + entry.rows_set_aside
        assert entry.rows_read == parts
    return report


def _only(report: LoadReport) -> Problem:
    assert len(report.set_aside) == 1, report.set_aside
    assert not report.clean
    return report.set_aside[0]


def test_missing_column_sets_the_whole_table_aside(tmp_path: Path) -> None:
    (tmp_path / "bench.csv").write_text(
        "session_id,meter_id,measured_at,mass_kg,load,torque\nS1,M1,2024-03-14,20,mass,33.9\n"
    )
    report = _loaded_beside_good(tmp_path)
    problem = _only(report)
    assert (problem.row, problem.column) == (1, "torque_nm")
    assert 'rename the column "torque" to torque_nm' in problem.fix
    assert next(e for e in report.files if e.table == "bench").rows_set_aside == 1


def test_column_twice(tmp_path: Path) -> None:
    (tmp_path / "costs.csv").write_text("item,unit_cost,unit_cost\nbattery,3,4\n")
    problem = _only(_loaded_beside_good(tmp_path))
    assert problem.column == "unit_cost"
    assert "remove one of the two columns" in problem.fix


def test_unknown_column_is_kept_out_and_said(tmp_path: Path) -> None:
    (tmp_path / "costs.csv").write_text("item,unit_cost,curency,colour\nbattery,3,EUR,red\n")
    report = _loaded_beside_good(tmp_path)
    assert report.clean
    said = " ".join(report.notices)
    assert '"curency" is not known and was kept out. Did you mean currency?' in said
    assert '"colour" is not known' in said


def test_same_key_twice_in_a_file(tmp_path: Path) -> None:
    (tmp_path / "costs.csv").write_text(
        "item,unit_cost\nbattery,3\nbench_hour,45\nbattery,3\nbattery,4\n"
    )
    report = _loaded_beside_good(tmp_path)
    problem = _only(report)
    assert (problem.row, problem.column, problem.found) == (5, "unit_cost", "4")
    assert problem.expected.startswith("3, as in row 2")
    entry = next(e for e in report.files if e.table == "costs")
    assert (entry.rows_loaded, entry.rows_unchanged, entry.rows_set_aside) == (2, 1, 1)


def test_rows_below_a_swallowing_quotation_mark_load(tmp_path: Path) -> None:
    lines = [f"battery{i},{i}," for i in range(1, 9)]
    lines[2] = 'battery3,3,"a note that never ends'
    lines[5] = 'battery6,6,"EUR"'
    (tmp_path / "costs.csv").write_text("item,unit_cost,currency\n" + "\n".join(lines) + "\n")
    report = _loaded_beside_good(tmp_path)
    assert _only(report).row == 4
    assert next(e for e in report.files if e.table == "costs").rows_loaded == 7


def test_workbook_rows_and_failed_formulas(tmp_path: Path) -> None:
    """Row numbers and columns hold with blank rows above and blank columns at the left."""
    book = xlsxwriter.Workbook(str(tmp_path / "season.xlsx"))
    sheet = book.add_worksheet("costs 2024")
    sheet.write_row(3, 2, ["item", "unit_cost", "currency"])
    sheet.write_row(4, 2, ["battery", 3, "EUR"])
    sheet.write_row(7, 2, ["bench_hour"])
    sheet.write_formula(7, 3, "=1/0", None, "#DIV/0!")
    book.add_worksheet("blank")
    notes = book.add_worksheet("notes")
    notes.write_row(0, 0, ["who", "what"])
    book.close()
    report = _loaded_beside_good(tmp_path)
    problem = _only(report)
    assert (problem.sheet, problem.row, problem.column) == ("costs 2024", 8, "unit_cost")
    assert problem.found == "#DIV/0!"
    assert "formula" in problem.fix
    assert any("sheet notes: not one of the tables" in notice for notice in report.notices)


def test_every_problem_of_a_row_is_told(tmp_path: Path) -> None:
    file = bench_file(tmp_path, ["S1,M1,14.03.2024,44.1 lb,17.25,weight,x,-1,1.5"])
    store, report = team.load(tmp_path, file)
    assert [p.column for p in report.set_aside] == [
        *("measured_at", "mass_kg", "crank_length_mm", "reading", "load", "torque_nm"),
        "slope_before",
    ]
    assert report.files[0].rows_set_aside == 1
    assert isinstance(store, Store)


def test_document_is_the_contracts(tmp_path: Path) -> None:
    file = bench_file(tmp_path, [*GOOD, ROWS["centimetres"].line])
    _, report = team.load(tmp_path, file)
    document = report.to_document()
    assert set(document) == {"files", "set_aside", "notices", "changed"}
    assert document["files"] == [
        {
            "path": str(file),
            "sheet": None,
            "table": "bench",
            "rows_read": 6,
            "rows_loaded": 5,
            "rows_unchanged": 0,
            "rows_set_aside": 1,
        }
    ]
    (entry,) = document["set_aside"]  # type: ignore[misc]
    assert set(entry) >= {"file", "row", "column", "found", "expected", "fix"}
    assert (entry["row"], entry["column"], entry["found"]) == (7, "crank_length_mm", "17.25")
