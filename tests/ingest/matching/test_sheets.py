"""Sheets of twelve styles, their truth beside them: nothing wrong, nothing missing."""

import random
from collections import Counter

import pytest

from ingest.matching import Asked, match_uploads
from tests.ingest.matching.reading import NO_STORE, loadable, matched, questions
from tests.simulate.workshop_sheets import STYLES, Sheet, ambiguous, csv_bytes


@pytest.mark.parametrize("style", STYLES, ids=lambda style: style.__name__)
def test_every_reading_is_right(style) -> None:
    dice = random.Random(7)
    for _ in range(3):
        sheet = style(dice)
        found = matched(sheet)
        assert questions(found) == set()
        assert loadable(found) == sheet.truth()


@pytest.mark.parametrize("sheet", ambiguous(), ids=lambda sheet: sheet.style)
def test_what_cannot_be_told_is_asked_and_nothing_loads(sheet: Sheet) -> None:
    found = matched(sheet)
    assert questions(found) == set(sheet.asked)
    assert loadable(found) == Counter()
    answered = matched(sheet, sheet.answers)
    assert questions(answered) == set()
    assert loadable(answered) == sheet.truth()


def proposed(text: str, name: str = "sheet.csv") -> tuple[list[str], dict[str, int], set[str]]:
    """Meanings, rows by table and questions of a sheet given as CSV."""
    [found] = match_uploads(NO_STORE, [(name, text.encode())], Asked())
    meanings = [a.meaning.text() if a.meaning else "-" for p in found.proposals for a in p.assigned]
    rows = {t.table: len(t.rows) for p in found.proposals for t in p.tables}
    return meanings, rows, questions(found)


def test_physics_finds_units_that_nobody_wrote() -> None:
    text = "Fecha,Medidor,Masa,Biela,Par\n14/03/2026,A12,44.1,17.25,299.5\n"
    [found] = match_uploads(NO_STORE, [("s.csv", text.encode())], Asked())
    units = {a.column.heading: a.unit.name for a in found.proposals[0].assigned if a.unit}
    assert units == {"Masa": "lb", "Biela": "cm", "Par": "in·lb"}


def test_mass_and_crank_under_each_others_heading_are_asked() -> None:
    text = "Date,Meter,Mass,Crank,Torque\n2026-03-14,A12,172.5,20,33.9\n"
    assert proposed(text)[2] == {"units"}


def test_computed_columns_are_no_readings() -> None:
    text = (
        "Datum;Gerät;Masse kg;KL mm;Soll;Ist L;Ist R;Mittel;Diff;x\n"
        "14.3.26;A12;20;172,5;33,83;33,9;33,7;33,8;0,2;33,8\n"
        "15.3.26;A12;20;172,5;33,83;33,8;33,6;33,7;0,2;33,7\n"
    )
    meanings, rows, asked = proposed(text)
    assert meanings[4:] == ["-", "torque_nm (left)", "torque_nm (right)", "-", "-", "-"]
    assert (rows, asked) == ({"bench": 4}, set())


@pytest.mark.parametrize(
    ("name", "text", "table"),
    [
        ("Ereignisse.csv", "Datum;Gerät;Was;Info\n14.3.26;A12;Batteriewechsel;neu\n", "events"),
        ("handout.csv", "Rider,Power meter,From,To\nJ. Roth,A12,2026-01-02,\n", "assignments"),
        ("Rennkalender.csv", "Rennen;von;bis;Prio\nRundfahrt;1.4.26;5.4.26;A\n", "calendar"),
        ("costs.csv", "Cost of,Price,Currency\nbattery,3.50,EUR\n", "costs"),
        (
            "rollers.csv",
            "Date,Meter,Trainer,Meter W,Trainer W,Duration\n14/03/2026,A12,T1,202,200,3:00\n",
            "comparisons",
        ),
        (
            "inventory.csv",
            "Meter,Type,In use since,Crank,Status\nA12,spider,2024-03-01,172.5,in use\n",
            "meters",
        ),
    ],
)  # fmt: skip
def test_other_tables_are_known_by_their_columns(name: str, text: str, table: str) -> None:
    assert proposed(text, name)[1:] == ({table: 1}, set())


def sessions_with_slopes(before: list[float], after: list[float], found: list[float]) -> str:
    rows = ["Date,Meter,Mass kg,Crank mm,Slope old,Slope new,Torque"]
    rows += [
        f"2026-03-{day},A12,20,172.5,{old},{new},{shown}"
        for day, old, new, shown in zip((14, 15, 16), before, after, found, strict=True)
    ]
    return "\n".join(rows)


def test_the_convention_is_told_by_what_corrections_did() -> None:
    due = 20 * 9.80665 * 0.1725
    found = [due * 1.02, due * 0.985, due * 1.01]
    slopes = [20.0, 20.4, 20.1]
    divisors = [20.4, 20.1, 20.3]
    [one] = match_uploads(
        NO_STORE, [("a.csv", sessions_with_slopes(slopes, divisors, found).encode())], Asked()
    )
    assert one.proposals[0].conventions == {"A12": "divisor"}


def test_slopes_under_each_others_heading_are_asked() -> None:
    due = 20 * 9.80665 * 0.1725
    text = sessions_with_slopes([20.4, 20.1, 20.3], [20.0, 20.4, 20.1], [due, due, due])
    assert proposed(text)[2] == {"slopes"}


def test_a_row_that_no_meter_shows_is_set_aside() -> None:
    grid = csv_bytes(
        [
            ["Date", "Meter", "Mass kg", "Crank mm", "Torque"],
            ["2026-03-14", "A12", 20, 172.5, 33.9],
            ["2026-03-15", "A12", 20, 172.5, 339],
            ["2026-03-16", "A12", 20, 172.5, 33.8],
        ]
    )
    [found] = match_uploads(NO_STORE, [("a.csv", grid)], Asked())
    assert [problem.row for problem in found.proposals[0].problems] == [3]
    assert sum(loadable(found).values()) == 2
