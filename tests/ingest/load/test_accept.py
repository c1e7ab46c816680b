"""What one press takes: the workbook as a mechanic fills it in, and every suggestion there is."""

from datetime import date, datetime
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from ingest.load import accept_suggestions, imports, load_paths, set_aside_rows, undo_import
from ingest.readers import read_csv
from ingest.schema import TABLES, Table, write_template
from ingest.store import Store, changes
from ingest.validate import check
from tests.ingest import team

# The sheets of the template's workbook, filled in without having read what its columns expect.
WORKBOOK: dict[str, list[team.Row]] = {
    "meters": [
        {
            "meter_id": "A12",
            "kind": "left arm",
            "in_service_date": "14.3.26",
            "slope_convention": "multiplier",
            "crank_length_mm": "172,5 mm",
            "tolerance_pct": "1,5 %",
            "static_check": "ja",
            "state": "loan",
        },
        {
            "meter_id": "A13",
            "kind": "pedals",
            "in_service_date": "15 March 2026",
            "slope_convention": "fixed",
            "crank_length_mm": "17,25 cm",
            "tolerance_pct": "±2 %",
            "static_check": "n/a",
            "state": "retired",
        },
    ],
    "mass_sets": [
        {
            "bench_id": "B1",
            "mass_kg": "20,01 kg",
            "hanger_mass_kg": "150 g",
            "mass_class": "OIML M1",
        },
        {"bench_id": "B2", "mass_kg": "44.1 lb", "hanger_mass_kg": "-", "mass_class": "M2"},
    ],
    "bench": [
        {
            "session_id": "S1",
            "meter_id": "A12",
            "measured_at": "14.3.26 9:30",
            "bench_id": "B1",
            "mass_kg": mass,
            "temperature_c": "68 °F",
            "stage": "before",
            "load": load,
            "arm": "L",
            "chainring": "53T",
            "torque_nm": torque,
        }
        for load, mass, torque in (
            ("no load", "0 kg", "0,02 Nm"),
            ("weight", "20,01 kg", "33,94 Nm"),
            ("weight", "20,01 kg", "25.03 lbf ft"),
        )
    ],
    "events": [
        {"meter_id": "A12", "date": "20.3.26", "event": "new battery", "side": "L", "cost": "4,5"},
        {"meter_id": "A13", "date": "2026/3/21", "event": "Crash", "side": "both sides", "cost": 0},
    ],
    "zeros": [
        {"meter_id": "A12", "measured_at": "21.3.26 18.05", "zero_nm": "-1,1 in-lb"},
        {"meter_id": "A12", "measured_at": "22.3.26 18.05", "zero_nm": "–0,12 N m"},
    ],
}


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """A store into which the workbook was loaded, as it is before any press."""
    folder = tmp_path_factory.mktemp("filled")
    book = next(file for file in write_template(folder) if file.suffix == ".xlsx")
    fill_in(book, WORKBOOK)
    store = Store(folder / "team.duckdb")
    report = load_paths(store, [book])
    assert {problem.sure for problem in report.set_aside} == {True}, report.set_aside
    said = " ".join(report.notices)
    assert 'torque_nm: 2 cells were read without the unit, "0,02 Nm" as 0.02.' in said
    return store


def fill_in(book: Path, sheets: dict[str, list[team.Row]]) -> None:
    """Write rows below the headings of the template's sheets, as text; other sheets stay empty."""
    import xlsxwriter

    with xlsxwriter.Workbook(str(book)) as made:
        for table in TABLES.values():
            sheet = made.add_worksheet(table.name)
            sheet.write_row(0, 0, table.names)
            for number, row in enumerate(sheets.get(table.name, []), start=1):
                for name, cell in row.items():
                    sheet.write(number, table.names.index(name), cell)


def test_the_workbook_as_a_mechanic_fills_it_in_loads_after_one_press(
    filled: Store, tmp_path: Path
) -> None:
    store = Store(filled.backup(tmp_path / "team.duckdb"))
    waiting = set_aside_rows(store).height
    done = accept_suggestions(store)
    assert set_aside_rows(store).is_empty()
    assert (done["rows_loaded"], done["rows_left"]) == (waiting, 0)
    meters = team.live(store, "meters").sort("meter_id")
    assert meters["kind"].to_list() == ["crank_arm_left", "pedal_pair"]
    assert meters["state"].to_list() == ["lent", "written_off"]
    assert meters["in_service_date"].to_list() == [date(2026, 3, 14), date(2026, 3, 15)]
    assert meters["crank_length_mm"].to_list() == [172.5, 172.5]
    assert meters["tolerance_pct"].to_list() == [1.5, 2.0]
    masses = team.live(store, "mass_sets").sort("bench_id")
    assert masses["mass_kg"].to_list() == [20.01, pytest.approx(44.1 * 0.45359237, rel=1e-7)]
    assert masses["hanger_mass_kg"].to_list() == [0.15, None]
    bench = team.live(store, "bench").sort("torque_nm")
    assert bench["torque_nm"].to_list() == pytest.approx([0.02, 25.03 * 1.3558179483, 33.94])
    assert set(bench["measured_at"].dt.replace_time_zone(None)) == {datetime(2026, 3, 14, 9, 30)}
    assert set(bench.select("arm", "chainring", "temperature_c").rows()) == {("left", "53", 20.0)}
    zeros = team.live(store, "zeros").sort("measured_at")["zero_nm"].to_list()
    assert zeros == pytest.approx([-1.1 * 0.1129848290, -0.12])
    assert team.live(store, "events")["event"].sort().to_list() == ["battery_swap", "crash"]


def test_what_was_accepted_is_recorded_and_can_be_taken_back(filled: Store, tmp_path: Path) -> None:
    store = Store(filled.backup(tmp_path / "team.duckdb"))
    before = set_aside_rows(store)
    accept_suggestions(store)
    said = changes(store).filter(pl.col("what") == "suggestions accepted")
    assert '"row 2, mass_kg"' not in "".join(said["before"])  # its own unit was read at once
    assert '"row 3, mass_kg": "44.1 lb"' in "".join(said["before"])
    assert '"row 3, mass_kg": "20.003424"' in "".join(said["after"])
    log = imports(store).filter(pl.col("kind") == "correction")
    for number in log["import_id"]:
        undo_import(store, number)
    after = set_aside_rows(store)
    assert_frame_equal(after.drop("resolved_by"), before.drop("resolved_by"))


def test_only_the_tables_that_are_named_are_touched(filled: Store, tmp_path: Path) -> None:
    store = Store(filled.backup(tmp_path / "team.duckdb"))
    accept_suggestions(store, only=("mass_sets",))
    assert team.live(store, "mass_sets").height == 2
    assert team.live(store, "meters").is_empty()


# --- a fix offered is a fix accepted ------------------------------------------------------------

BAD = (
    *("20,01 kg", "44.1 lb", "150 g", "17,25 cm", "6.79 in", '6.79"', "24.9 lbf ft", "300 in-lb"),
    *("3.45 kgf·m", "33,920 Nmm", "33.9 foo", "68 °F", "20°", "293 K", "2 h", "1800 s", "5 min"),
    *("1.5 %", "±1.5", "<2", "1.2 kW", "3100 mV", "53 T", "12 per week", "899 €", "$ 45"),
    *("20,010", "1,234,567", "1.234.567,8", "1e400", "-1e400", "~33.9", "33.9?", "=33.9"),
    *("33.9/34.1", "33.9-34.1", "0.1725", "17.25", "1725", "33920", "-5.69", "355", "981", "1.5"),
    *("-", "n/a", "none", "?", "x", ".", "—", "#DIV/0!", "#N/A", "abc", "lots", "not known"),
    *("14.3.26", "14.03.2026", "14/3/26", "3/14/26", "03/04/25", "3.4.25", "14-3-26", "26-03-14"),
    *("2026/3/14", "2026.3.14", "20260314x", "14 Mar 2026", "March 14, 2026", "14. März 2026"),
    *("Sa, 14.3.26", "14.3.26 9:30", "14.3.26 9.30 Uhr", "14 Mar 2026 4:05 pm", "14.3.26 or so"),
    *("2026-03-14 9.30", "2026-02-30", "31.2.26", "14.3.1926", "45365", "45365.5", "March 2026"),
    *(
        "09:30",
        "1899-12-31 09:30:00",
        "2024-03-31T02:30",
        "2026-03-14T25:00",
        "2026-03-14 00:00:00",
    ),
    *("L", "left arm", "links", "G", "pedals", "spider", "retired", "loan", "big", "S", "before"),
    *("weight", "no load", "masss", "crnk", "ja", "nein", "maybe", "OIML M1", "new battery", "0"),
)


POINTS, COMMAS = (",", "."), (";", ",")


@pytest.mark.parametrize(
    ("name", "style"), [*((name, POINTS) for name in TABLES), ("bench", COMMAS), ("zeros", COMMAS)]
)
def test_every_suggestion_is_accepted_when_it_is_typed(name: str, style: tuple[str, str]) -> None:
    """Whatever is offered for any cell of any column goes through the same check, in any file."""
    table, (separator, sign) = TABLES[name], style
    tries = [(column.name, text) for column in table.columns for text in BAD]
    offered = offers(table, tries, separator, sign)
    assert len(offered) >= 10 or name == "pairs"  # which holds text alone
    typed_again = [(column, value) for _, column, value in offered if value]
    assert offers(table, typed_again, separator, sign, refused=True) == []


def offers(
    table: Table, tries: list[tuple[str, str]], separator: str, sign: str, *, refused: bool = False
) -> list[tuple[int, str, str]]:
    """Return (row, column, suggestion) of cells tried one a row; or of those refused at all."""
    names = table.names
    number = f"1{sign}25"  # tells how the file writes numbers
    lines = [separator.join(names)]
    for column, text in tries:
        cells = dict.fromkeys(names, "") | {column: '"' + text.replace('"', '""') + '"'}
        lines.append(separator.join(cells.values()))
    plain = [c.name for c in table.columns if c.kind is float]
    lines.append(separator.join(f'"{number}"' if name in plain else "" for name in names))
    raw = read_csv(f"{table.name}.csv", ("\n".join(lines) + "\n").encode())
    checked = check(raw, table, zone="Europe/Madrid")
    problems = [
        problem
        for row in checked.set_aside
        if row.row and row.row - 2 < len(tries)
        for problem in row.problems
        if problem.column == tries[row.row - 2][0] and problem.reason
    ]
    return [
        (problem.row or 0, problem.column or "", problem.suggested or "")
        for problem in problems
        if refused or problem.suggested is not None
    ]
