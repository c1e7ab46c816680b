"""Templates and exports load again; one rider's data go out, or away."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from ingest.admin import export_rider, remove_rider
from ingest.admin.riders import ABOUT_THE_RIDER, NAMES_THE_RIDER, UnknownRiderError
from ingest.load import load_paths, set_aside_rows
from ingest.schema import TABLES, write_template
from ingest.schema.template import DICTIONARY, WORKBOOK
from ingest.store import Format, Store, export_tables
from ingest.store.export import FORMATS
from tests.ingest import team


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Store:
    folder = tmp_path_factory.mktemp("full")
    store, report = team.load(folder, team.write_team(folder / "tables"))
    assert report.clean
    return store


@pytest.mark.parametrize("form", FORMATS)
def test_exports_load_again(tmp_path: Path, full: Store, form: Format) -> None:
    """Whatever the time zone of the store that they are loaded into."""
    files = export_tables(full, tmp_path / "out", form)
    assert files
    copy = Store(tmp_path / "copy.duckdb")
    with copy.writing() as db:
        db.set_setting("time_zone", "America/Denver")
    report = load_paths(copy, [tmp_path / "out"])
    assert report.clean, report.set_aside
    assert team.contents(copy) == team.contents(full)


def test_template_is_empty_and_loads_without_a_word(tmp_path: Path) -> None:
    written = write_template(tmp_path / "blank")
    assert {f.name for f in written} == {*(f"{n}.csv" for n in TABLES), WORKBOOK, DICTIONARY}
    store, report = team.load(tmp_path, tmp_path / "blank")
    assert report.clean, report.set_aside
    assert len(report.files) == 2 * len(TABLES)
    assert all(entry.rows_read == 0 for entry in report.files)
    assert all(rows == [] for rows in team.contents(store).values())
    assert report.notices == []


def test_template_does_not_overwrite_what_was_filled_in(tmp_path: Path) -> None:
    write_template(tmp_path)
    (tmp_path / "costs.csv").write_text("item,unit_cost\nbattery,3\n")
    (tmp_path / WORKBOOK).write_bytes(b"mine")
    write_template(tmp_path)
    assert (tmp_path / "costs.csv").read_text().endswith("battery,3\n")
    assert (tmp_path / WORKBOOK).read_bytes() == b"mine"


def test_a_filled_in_template_loads(tmp_path: Path) -> None:
    write_template(tmp_path)
    with (tmp_path / "costs.csv").open("a", encoding="utf-8") as stream:
        stream.write("battery,,3.5,EUR\n")
    _, report = team.load(tmp_path, tmp_path / "costs.csv")
    assert report.rows_loaded == 1


def test_dictionary_names_every_column(tmp_path: Path) -> None:
    write_template(tmp_path)
    text = (tmp_path / DICTIONARY).read_text("utf-8")
    for table in TABLES.values():
        assert f"## {table.name}\n" in text
        for column in table.columns:
            assert f"| {column.name}{'*' if column.required else ''} |" in text
    book = pl.read_excel(tmp_path / WORKBOOK, sheet_name="dictionary")
    assert book.height == sum(len(table.columns) for table in TABLES.values())


# --- one rider ------------------------------------------------------------------------------

SECRET = "Zoltan-Q-7731"


@pytest.fixture
def with_secret(tmp_path: Path) -> Store:
    """A team in which one rider has a name that is easy to find in a file's bytes."""
    tables = {
        name: [*rows, *(row | {"rider_id": SECRET} for row in rows if "rider_id" in row)]
        for name, rows in team.TEAM.items()
        if name != "comparisons"
    }
    tables["comparisons"] = [row | {"rider_id": SECRET} for row in team.COMPARISONS]
    tables["efforts"] = [*tables["efforts"], {"rider_id": SECRET, "date": "x", "watts": 300}]
    store, report = team.load(tmp_path, team.write_team(tmp_path / "tables", tables))
    assert [p.column for p in report.set_aside] == ["date"]
    with store.writing() as db:
        document = f'{{"rider_id": "{SECRET}", "gain": 1}}'
        rides = {"comparison_id": ["C1"], "rider_id": [SECRET], "document": [document]}
        db.put_derived("comparison_results", pl.DataFrame(rides))
        ledger = {"rider_id": [SECRET, "R1"], "factor": [1.0, 2.0]}
        db.put_derived("ledger", pl.DataFrame(ledger))
    return store


def test_the_lists_of_tables_are_complete() -> None:
    naming = {name for name, table in TABLES.items() if "rider_id" in table.names}
    assert naming == {*ABOUT_THE_RIDER, *NAMES_THE_RIDER}


def test_one_riders_data_go_out(tmp_path: Path, with_secret: Store) -> None:
    files = export_rider(with_secret, SECRET, tmp_path / "out")
    tables = {"riders", "assignments", "efforts", "comparisons"}
    assert {f.stem for f in files} == {*tables, "set_aside"}
    for file in files:
        frame = pl.read_csv(file)
        if file.stem not in tables:
            assert SECRET in frame["cells"][0]
            continue
        assert frame["rider_id"].unique().to_list() == [SECRET]
    with pytest.raises(UnknownRiderError, match='no table names a rider "nobody"'):
        export_rider(with_secret, "nobody", tmp_path / "out")


def test_one_riders_data_go_away(with_secret: Store) -> None:
    assert SECRET.encode() in with_secret.path.read_bytes()
    report = remove_rider(with_secret, SECRET)
    counts = ("rows_removed", "rows_without_name", "set_aside_removed")
    assert [report[name] for name in counts] == [3, 3, 1]
    assert report["derived"] == ["comparison_results", "ledger"]
    for file in with_secret.path.parent.glob("team.duckdb*"):
        assert SECRET.encode() not in file.read_bytes(), file
    comparisons = team.live(with_secret, "comparisons")
    assert comparisons.height == len(team.COMPARISONS)
    assert comparisons["rider_id"].is_null().all()
    assert team.live(with_secret, "efforts")["rider_id"].to_list() == ["R1"]
    with with_secret.reading() as db:
        ledger, rides = db.derived("ledger"), db.derived("comparison_results")
    assert ledger is not None
    assert rides is not None
    assert ledger["rider_id"].to_list() == ["R1"]
    assert rides["document"].to_list() == ['{"rider_id": null, "gain": 1}']
    with pytest.raises(UnknownRiderError):
        remove_rider(with_secret, SECRET)


def test_problems_of_other_rows_lose_the_name_too(tmp_path: Path, with_secret: Store) -> None:
    """A step of somebody else's under the same id was set aside for the one that the store has."""
    other = [row | {"rider_id": "R2"} for row in team.COMPARISONS[:1]]
    report = load_paths(with_secret, [team.write_csv(tmp_path / "comparisons-2.csv", other)])
    assert SECRET in report.set_aside[0].expected
    remove_rider(with_secret, SECRET)
    [kept] = set_aside_rows(with_secret)["problems"].to_list()
    assert [problem["column"] for problem in kept] == ["rider_id"]
    for file in with_secret.path.parent.glob("team.duckdb*"):
        assert SECRET.encode() not in file.read_bytes(), file
