"""What stops one file, or what the program itself fails on, costs that file alone."""

import os
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from ingest.load import batches, commit, load_paths, loading, set_aside_rows
from ingest.load.report import LoadReport
from ingest.store import Store
from tests.ingest import team

NOT_UTF8 = b"bench-M\xfcller.csv"


def loaded(folder: Path) -> LoadReport:
    return load_paths(Store(folder.parent / "team.duckdb"), [folder])


def test_odd_files_cost_themselves_only(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    team.write_csv(folder / "places.csv", team.PLACES)
    team.write_csv(folder / "bench-1e400.csv", [team.reading("S1", "1e400", torque_nm="1e400")])
    (folder / "bench-own.csv").write_text("Datum;Gerät;Wert\n14.3.26;A1;33,1\n")
    pl.DataFrame({}).write_parquet(folder / "costs-none.parquet")
    book = xlsxwriter.Workbook(str(folder / "costs-torn.xlsx"))
    book.add_worksheet("costs").write_formula(0, 0, "=1/0", None, "#DIV/0!")
    book.close()
    torn = bytearray((folder / "costs-torn.xlsx").read_bytes())
    at = torn.index(b"xl/worksheets/sheet1.xml") + 60
    torn[at] ^= 0xFF
    (folder / "costs-torn.xlsx").write_bytes(torn)
    report = loaded(folder)
    assert {Path(p.file).name: p.column for p in report.set_aside} == {
        "bench-1e400.csv": "torque_nm",
        "bench-own.csv": "session_id",
        "costs-none.parquet": None,
        "costs-torn.xlsx": None,
    }
    assert [e.rows_loaded for e in report.files if e.table == "places"] == [1]


def test_a_duration_is_text_with_its_unit(tmp_path: Path) -> None:
    row = {k: [v] for k, v in team.reading().items() if v is not None}
    frame = pl.DataFrame(row | {"soak_min": [timedelta(minutes=30)]})
    frame.write_parquet(tmp_path / "bench.parquet")
    _, report = team.load(tmp_path, tmp_path / "bench.parquet")
    assert [(p.column, p.found) for p in report.set_aside] == [("soak_min", "1800 s")]


def test_a_name_that_is_not_utf8(tmp_path: Path) -> None:
    """The table loads under a name that can be written down; a ride says how to rename it."""
    folder = tmp_path / "in"
    folder.mkdir()
    good = team.write_csv(tmp_path / "bench.csv", [team.reading()])
    Path(os.fsdecode(os.fsencode(folder) + b"/" + NOT_UTF8)).write_bytes(good.read_bytes())
    Path(os.fsdecode(os.fsencode(folder) + b"/ride-\xfc.fit")).write_bytes(b"")
    report = loaded(folder)
    assert {(Path(e.path).name, e.rows_loaded) for e in report.files} == {
        (r"bench-M\xfcller.csv", 1),
        (r"ride-\xfc.fit", 0),
    }
    assert [p.fix for p in report.set_aside] == ["rename the file, and load it again"]
    assert report.recordings == []


@pytest.mark.parametrize(
    "where", [(batches, "check"), (commit, "merge"), (loading, "commit_batch")]
)
def test_a_fault_of_the_program_names_the_file_and_spares_the_others(
    where: tuple[object, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    module, name = where
    whole = getattr(module, name)

    def failing(*args: object, **kwargs: object) -> object:
        if any(
            getattr(arg, "file", "").endswith("bench.csv") and not _settled(arg) for arg in args
        ):
            raise RuntimeError("out of shape")
        if getattr(args[0], "name", "") == "bench":
            raise RuntimeError("out of shape")
        return whole(*args, **kwargs)

    monkeypatch.setattr(module, name, failing)
    bench = team.write_csv(tmp_path / "bench.csv", [team.reading(), team.reading(number=2)])
    places = team.write_csv(tmp_path / "places.csv", team.PLACES)
    store, report = team.load(tmp_path, bench, places)
    (problem,) = report.set_aside
    assert problem.file == str(bench)
    assert "RuntimeError: out of shape" in str(problem.found)
    assert "set bench.csv aside and report it" in problem.fix
    lost = next(e for e in report.files if e.path == str(bench))
    assert (lost.rows_read, lost.rows_set_aside) == (2, 2)
    assert team.live(store, "places").height == 1
    assert set_aside_rows(store)["file"].to_list() == [str(bench)]


def _settled(batch: object) -> bool:
    return bool(getattr(batch, "set_aside", False))
