"""The same tables give the same store, whatever format they come in."""

from __future__ import annotations

import pickle
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import xlsxwriter

from ingest.load import read_tables
from ingest.readers import read_csv
from ingest.schema import TABLES
from ingest.store import Store
from tests.ingest import team


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("csv")
    store, report = team.load(folder, team.write_team(folder / "tables"))
    assert report.clean, report.set_aside
    assert report.rows_loaded == sum(len(rows) for rows in team.TEAM.values())
    return team.contents(store)


@pytest.mark.parametrize(
    "how",
    [
        {"separator": ";", "comma": True},
        {"separator": ";", "comma": False},
        {"separator": "\t", "comma": True},
        {"separator": ",", "comma": True},
        {"encoding": "utf-8-sig"},
        {"encoding": "utf-16"},
        {"encoding": "utf-16-le"},
        {"encoding": "utf-16-be", "separator": ";", "comma": True},
        {"encoding": "cp1252", "separator": ";"},
    ],
    ids=str,
)
def test_csv_dialects(tmp_path: Path, how: dict[str, Any], expected: dict[str, Any]) -> None:
    some = {name: team.TEAM[name] for name in ("meters", "mass_sets", "riders", "events", "bench")}
    found = read_tables([team.write_team(tmp_path / "tables", some, **how)])
    assert found.problems == []
    got = {name: sorted(frame.rows(), key=repr) for name, frame in found.frames.items()}
    assert got == {name: expected[name] for name in some}
    said = any("Windows-1252" in notice for notice in found.notices)
    assert said == (how.get("encoding") == "cp1252")


@pytest.mark.parametrize(
    "how", [{"separator": ";", "comma": True}, {"encoding": "utf-16"}], ids=str
)
def test_csv_dialects_in_the_store(
    tmp_path: Path, how: dict[str, Any], expected: dict[str, Any]
) -> None:
    store, report = team.load(tmp_path, team.write_team(tmp_path / "tables", **how))
    assert report.clean, report.set_aside
    assert team.contents(store) == expected


def workbook(file: Path, tables: dict[str, list[team.Row]], *, leading: int = 0) -> Path:
    """A workbook as a spreadsheet program would write it: dates are dates."""
    book = xlsxwriter.Workbook(str(file))
    formats = {
        "date": book.add_format({"num_format": "dd/mm/yyyy"}),
        "datetime": book.add_format({"num_format": "dd/mm/yyyy hh:mm"}),
    }
    for name, rows in tables.items():
        sheet = book.add_worksheet(name)
        names = team.header(rows)
        sheet.write_row(leading, 0, names)
        for at, row in enumerate(rows, start=leading + 1):
            for column, heading in enumerate(names):
                kind = TABLES[name].column(heading).kind.__name__
                value = row.get(heading)
                if value is None:
                    continue
                if kind in formats:
                    moment = datetime.fromisoformat(value)
                    sheet.write_datetime(at, column, moment, formats[kind])
                else:
                    sheet.write(at, column, value)
    book.close()
    return file


@pytest.mark.parametrize("leading", [0, 3])
def test_workbook(tmp_path: Path, expected: dict[str, Any], leading: int) -> None:
    file = workbook(tmp_path / "team.xlsx", team.TEAM, leading=leading)
    store, report = team.load(tmp_path, file)
    assert report.clean, report.set_aside
    assert team.contents(store) == expected
    with store.reading() as db:
        first = db.frame("claims").filter(pl.col("table_name") == "bench")["row"].min()
    assert first == leading + 2


def test_parquet_typed(tmp_path: Path, expected: dict[str, Any]) -> None:
    folder = tmp_path / "tables"
    folder.mkdir()
    for name, rows in team.TEAM.items():
        frame = pl.DataFrame(rows, infer_schema_length=None)
        casts = []
        for column in frame.columns:
            kind = TABLES[name].column(column).kind.__name__
            if kind == "date":
                casts.append(pl.col(column).str.to_date())
            if kind == "datetime":
                casts.append(pl.col(column).str.to_datetime(time_unit="ns"))
            if kind == "bool":
                casts.append(pl.col(column) == "yes")
            if column == "crank_length_mm":
                casts.append(pl.col(column).cast(pl.Float32))
        frame.with_columns(casts).write_parquet(folder / f"{name}.parquet")
    store, report = team.load(tmp_path, folder)
    assert report.clean, report.set_aside
    assert team.contents(store) == expected


def test_long_numbers_agree_between_csv_and_workbook(tmp_path: Path) -> None:
    """Unrounded values: a workbook holds 16 digits, its reader shows nine decimals as text."""
    values = [33.91734562934872, 1 / 3, 2 / 3 * 100, 0.1 + 0.2, 5.6900000000000004, 1e-7]
    rows = [team.reading(number=i, torque_nm=v, slope_before=5.69) for i, v in enumerate(values)]
    tables = {"mass_sets": team.MASS_SETS, "bench": rows}
    csv_store, _ = team.load(tmp_path, team.write_team(tmp_path / "csv", tables), store="a.duckdb")
    book = workbook(tmp_path / "b.xlsx", tables)
    xlsx_store, _ = team.load(tmp_path, book, store="b.duckdb")
    assert team.contents(csv_store) == team.contents(xlsx_store)
    got = team.live(csv_store, "bench").sort("reading")["torque_nm"].to_list()
    assert got == pytest.approx(values, rel=1e-9)


def test_formats_do_not_double_each_other(tmp_path: Path, expected: dict[str, Any]) -> None:
    folder = team.write_team(tmp_path / "tables")
    book = workbook(tmp_path / "team.xlsx", team.TEAM)
    store, _ = team.load(tmp_path, folder)
    _, report = team.load(tmp_path, book)
    assert report.rows_loaded == 0
    assert team.contents(store) == expected


def test_times_are_the_stores_own(tmp_path: Path) -> None:
    with Store(tmp_path / "team.duckdb").writing() as db:
        db.set_setting("time_zone", "Europe/Madrid")
    rows = [
        {"meter_id": "M1", "measured_at": at, "zero_nm": i / 10}
        for i, at in enumerate(
            ["2024-07-01T10:00", "2024-01-01T10:00", "2024-01-01T10:00Z", "2024-01-01T10:00-05:30"]
        )
    ]
    store, _ = team.load(tmp_path, team.write_csv(tmp_path / "zeros.csv", rows))
    hours = team.live(store, "zeros").sort("zero_nm")["measured_at"].dt.to_string("%H:%M").to_list()
    assert hours == ["08:00", "09:00", "10:00", "15:30"]


def test_a_file_keeps_its_time_zone(tmp_path: Path) -> None:
    """A file loaded before the store's zone was changed must not come in a second time."""
    file = team.write_csv(
        tmp_path / "zeros.csv",
        [{"meter_id": "M1", "measured_at": "2024-07-01T10:00", "zero_nm": 0.1}],
    )
    store, _ = team.load(tmp_path, file)
    with store.writing() as db:
        db.set_setting("time_zone", "Asia/Tokyo")
    _, report = team.load(tmp_path, file)
    assert report.rows_loaded == 0
    assert any("UTC" in notice for notice in report.notices)


def test_percentages_of_a_workbook_are_read_as_they_are_shown(tmp_path: Path) -> None:
    """1.5 % lies in the file as 0.015: read as that number it would be silently wrong."""
    with xlsxwriter.Workbook(str(tmp_path / "meters.xlsx")) as book:
        sheet = book.add_worksheet("meters")
        head = ["meter_id", "kind", "in_service_date", "slope_convention", "stated_accuracy_pct"]
        sheet.write_row(1, 1, [*head, "crank_length_mm"])
        for row, how in enumerate(("0.0%", "0%", "0.00 %"), start=2):
            sheet.write_row(row, 1, [f"M{row}", "hub", "2024-03-14", "fixed"])
            sheet.write_number(row, 5, 0.015, book.add_format({"num_format": how}))
        sheet.write_row(5, 1, ["M5", "hub", "2024-03-14", "fixed", 0.5])
        sheet.write_row(6, 1, ["M6", "hub", "2024-03-14", "fixed", 0.5])
        sheet.write_number(6, 6, 1.725, book.add_format({"num_format": "0%"}))
    found = read_tables([tmp_path / "meters.xlsx"])
    assert found.frames["meters"]["stated_accuracy_pct"].to_list() == [1.5, 1.5, 1.5, 0.5]
    assert [(p.row, p.found) for p in found.problems] == [(7, "172.5 %")]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("odd", ["", "M3", 'M3,"b, c",4', "M3,b,4,5", ",,", "M3,\xa0,4"])
def test_long_plain_tables_are_read_as_short_ones(
    monkeypatch: pytest.MonkeyPatch, end: str, odd: str
) -> None:
    """Long files are read in one go where each line is a row; the cells are the same."""
    lines = ["meter_id,kind,firmware", "M1, a ,'=1", odd, "M2,,3"]
    data = end.join([*lines, ""]).encode()
    short = read_csv("meters.csv", data)
    monkeypatch.setattr("ingest.readers.tables.csv_file.SMALL", 0)
    long = read_csv("meters.csv", data)
    assert long.content_hash() == short.content_hash()
    assert long.frame.equals(short.frame)
    assert (long.rows, long.ragged, long.notices) == (short.rows, short.ragged, short.notices)
    assert pickle.loads(pickle.dumps(long)).frame.equals(short.frame)
