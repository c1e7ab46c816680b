"""Sheets of twelve styles, their truth beside them: nothing wrong, nothing missing."""

import random
from collections import Counter
from dataclasses import replace

import pytest

from ingest.matching import Asked, match_document, match_uploads
from tests.ingest.matching.reading import NO_STORE, loadable, matched, questions
from tests.simulate.sheet_mutations import SAME_READINGS, mutated
from tests.simulate.workshop_habits import HABITS, unclear
from tests.simulate.workshop_sheets import STYLES, Sheet, ambiguous, csv_bytes, sheets


@pytest.mark.parametrize("style", [*STYLES, *HABITS], ids=lambda style: style.__name__)
def test_every_reading_is_right(style) -> None:
    dice = random.Random(7)
    for _ in range(2):
        sheet = style(dice)
        found = matched(sheet)
        assert questions(found) == set()
        assert loadable(found) == sheet.truth()


@pytest.mark.parametrize("sheet", [*ambiguous(), *unclear()], ids=lambda sheet: sheet.style)
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


def test_a_ride_under_its_own_headings_becomes_a_recording() -> None:
    rows = "\n".join(f"00:00:0{second};0,2;90;x" for second in range(1, 8))
    text = f"Zeit;Leistung kW;Trittfrequenz;Notiz\n{rows}\n"
    [found] = match_uploads(NO_STORE, [("fahrt.csv", text.encode())], Asked())
    [(name, content)] = found.recordings()
    assert name == "fahrt.csv"
    assert content.split(b"\n")[:2] == [b"time,power_w,cadence_rpm", b"1,200,90"]


FORM = """Check sheet;;;;
Meter;PM-17;;Date;{day}
Crank;172.5 mm;;Mechanic;Tom
Weights;20.02 kg;;Temp;21 C
;;;;
Reading;1;2;3;Mean
zero;0.1;0.0;0.1;0.07
Large L;33.9;33.8;33.9;33.87
Small R;33.7;33.8;33.8;33.77
;;;;
Slope before;20.05;;Slope after;20.1
"""


def test_a_form_of_one_session_gives_its_repeats_and_what_stands_around() -> None:
    [found] = match_uploads(NO_STORE, [("f.csv", FORM.format(day="14/05/2026").encode())], Asked())
    assert questions(found) == set()
    [rows] = found.proposals[0].tables
    assert len(rows.rows) == 9
    assert {r["slope_before"] for r in rows.rows} == {"20.05"}
    assert {r["slope_after"] for r in rows.rows} == {"20.1"}
    assert {(r["technician"], r["temperature_c"], r["meter_id"]) for r in rows.rows} == {
        ("Tom", "21", "PM-17")
    }
    [open_] = match_uploads(NO_STORE, [("f.csv", FORM.format(day="04/05/26").encode())], Asked())
    assert questions(open_) == {"date_order"}


def test_broken_sheets_are_refused_or_asked_about_and_never_stop_the_program() -> None:
    """60 of the mutations that `tests.benchmarks.sheet_damage` makes hundreds of."""
    dice = random.Random(3)
    pool = [sheet for sheet in sheets(1, 4) if not sheet.data.startswith(b"PK")]
    for _ in range(60):
        sheet = dice.choice(pool)
        what, data = mutated(sheet, dice)
        found = matched(replace(sheet, data=data))
        match_document([found], zone="UTC")
        if what in SAME_READINGS:
            assert not loadable(found) - without_traits(sheet), (sheet.style, what)


def without_traits(sheet: Sheet) -> Counter[tuple[object, ...]]:
    """The truth, and each reading without its ring or arm: a lost column may take these along."""
    truth = sheet.truth()
    for reading in list(truth):
        head, (ring, arm), tail = reading[:4], reading[4:6], reading[6:]
        for less in ((None, arm), (ring, None), (None, None)):
            truth[(*head, *less, *tail)] += 8
    return truth


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
    assert [problem.row for _, problem in found.proposals[0].problems] == [3]
    assert sum(loadable(found).values()) == 2


def test_a_bench_sheet_without_numbers_is_not_taken_for_another_table() -> None:
    text = "Date,Meter,Mass kg,Crank mm,L/R\n14/03/2026,A12,20,172.5,/\n15/03/2026,A12,20,172.5,a\n"
    assert proposed(text)[1:] == ({}, {"column:L/R"})


def test_a_bad_cell_sets_aside_its_reading_and_not_its_row() -> None:
    text = "Date;Meter;Mass kg;Crank mm;Zero;L;R\n14.3.2026;A12;20;172,5;0,1;33,9 ?;33,8\n"
    [found] = match_uploads(NO_STORE, [("s.csv", text.encode())], Asked())
    assert sorted(key[6] for key in loadable(found)) == [0.1, 33.8]
    [problem] = match_document([found], zone="UTC")["sheets"][0]["set_aside"]
    assert (problem["row"], problem["column"], problem["found"]) == (2, "torque_nm", "33,9 ?")


def test_what_the_other_readings_speak_against_is_set_aside() -> None:
    rows = [
        f"{day:02}/03/2026,A12,20,172.5,{0.1 + day / 100:.2f},33.{day:02}" for day in range(10, 18)
    ]
    head = "Date,Meter,Mass kg,Crank mm,Zero,Torque"
    damaged = [
        [*rows, rows[3]],
        [*rows[:4], rows[4].replace("33.14", "38.14"), *rows[5:]],
        [*rows[:4], rows[4].replace("33.14", "33"), *rows[5:]],
        [*rows, "18/03/2026,A12,20,172.5,0.28"],
    ]
    for lines in damaged:
        text = "\n".join([head, *lines])
        [found] = match_uploads(NO_STORE, [("s.csv", text.encode())], Asked())
        kept = loadable(found)
        assert kept
        assert not {37.14, 38.14, 33.0, 0.28} & {key[6] for key in kept}
        assert max(kept.values()) == 1


def test_a_file_the_program_fails_on_keeps_no_other_out(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_given: object, **_named: object) -> None:
        raise ZeroDivisionError

    monkeypatch.delenv("SLOPEWATCH_DEBUG", raising=False)
    monkeypatch.setattr("ingest.matching.files.find_tables", fails)
    [found] = match_uploads(NO_STORE, [("s.csv", b"Date,Meter\n1,2\n")], Asked())
    assert found.proposals == []
    assert "set s.csv aside" in found.problems[0].fix
