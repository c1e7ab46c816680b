"""More sheets as workshops keep them: habits that the first twelve styles do not have.

How each was invented:

year_a_sheet      a log that gets a new tab each January: days without a year, sides as li, re
session_page      a printed page a session: what holds for it in two columns of words, three tries
hub_chain         a workshop's hubs, hung through ring and cog, with a guessed chain loss
column_a_meter    one meter a column and one day a row, as somebody compares them on bench day
meter_pairs       the same with left and right under each meter, and its crank length below
pair_cells        both sides in one cell, 33.1/33.4, rings as 52/36, a dash for no reading
side_by_side      two meters' tables next to each other, since the paper lay across
legend_units      headings of one word; what they are in stands in a legend at the foot
serial_days       a list exported with days and times as the spreadsheet counts them
gross_tare_net    a scale's words: gross, tare and net, where gross is no ring
missing_marks     0, n/a, – and a blank for what was not measured, tallies of tries beside it
days_across       a meter a row and a day a column, grown to the right
two_rows          a row before and a row after each correction, the second without meter and day
mass_steps        masses put on one by one and taken off again, up and down beside each other
nicknames         the mass set by its nick-name, explained in a line above; ft·lb beside kilograms
grams_and_points  Spanish or Italian, grams and N·cm with points for thousands
hidden_helpers    a workbook with hidden columns, a filter, comments and days half of them as text
kg_a_heading      what hung stands between the heading's brackets, and the crank in the meter's name
"""

import io
import random
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import xlsxwriter

from tests.simulate.workshop_sheets import (
    Cell,
    G,
    Grid,
    Reading,
    Session,
    Sheet,
    csv_bytes,
    days,
    ods_bytes,
    session,
    xlsx_bytes,
)

FT_LB = 4.4482216152605 * 0.3048
FLEET = ("A12", "B07", "C01", "D33")
SIDES: tuple[str | None, ...] = ("left", "right")
ONE: tuple[str | None, ...] = (None,)


def _many(dice: random.Random, count: int = 6, **options: object) -> list[Session]:
    return [
        session(dice, dice.choice(FLEET), day, **options)  # type: ignore[arg-type]
        for day in days(dice, count)
    ]


def _same_crank(dice: random.Random, one: Session, crank_mm: float) -> Session:
    """The session as it would have been on this crank."""
    ratio = crank_mm / one.crank_mm
    one.crank_mm = crank_mm
    one.readings = [
        r if r.load == "zero" else replace(r, torque_nm=round(r.torque_nm * ratio, 2))
        for r in one.readings
    ]
    return one


def year_a_sheet(dice: random.Random) -> Sheet:
    every: list[Session] = []
    sheets: dict[str, Grid] = {}
    for year in (2024, 2025, 2026):
        head: list[Cell] = ["Datum", "PM", "KL", "Gew. kg", "Null", "gr li", "gr re", "Bem."]
        grid: Grid = [head]
        for day in days(dice, 4):
            one = session(dice, dice.choice(FLEET), day.replace(year=year), rings=("large",))
            shown = [r.torque_nm for r in one.readings]
            text = f"{one.day.day}.{one.day.month}."
            own: list[Cell] = [text, one.meter, one.crank_mm, one.mass_kg]
            grid.append([*own, *shown, dice.choice((None, "Akku neu", "ok"))])
            every.append(one)
        sheets[str(year)] = grid
    return Sheet("year_a_sheet", "Kalibrierungen.xlsx", xlsx_bytes(sheets), every)


def session_page(dice: random.Random) -> Sheet:
    sheets: dict[str, Grid] = {}
    every = []
    for number, day in enumerate(days(dice, 4), 1):
        one = session(dice, dice.choice(FLEET), day, rings=ONE, zero=False)
        more = [session(dice, one.meter, day, rings=ONE, zero=False) for _ in range(2)]
        for other in more:
            one.readings += _same_crank(dice, other, one.crank_mm).readings
        shown = (0.12, 0.09)
        zeros = [
            Reading("as_found", "zero", None, arm, value)
            for arm, value in zip(("left", "right"), shown, strict=True)
        ]
        one.readings = [*zeros, *one.readings]
        grid: Grid = [
            ["CALIBRATION RECORD", None, None, None],
            [],
            ["Power meter", one.meter, "Date", day],
            ["Crank length", f"{one.crank_mm:g} mm", "Reference mass", "20 kg"],
            ["Mechanic", "J. Roth", "Room temp.", "21 °C"],
            [],
            ["Try", "Left (Nm)", "Right (Nm)", "Remarks"],
            ["zero", *shown, None],
        ]
        for try_ in range(3):
            left, right = (r.torque_nm for r in one.readings[2 + 2 * try_ : 4 + 2 * try_])
            grid.append([try_ + 1, left, right, "settled" if try_ == 2 else None])
        grid += [[], ["Approved", None, "Next due", date(2027, 1, 15)]]
        every.append(one)
        sheets[f"Record {number}"] = grid
    return Sheet("session_page", "records.xlsx", xlsx_bytes(sheets), every)


def hub_chain(dice: random.Random) -> Sheet:
    grid: Grid = [
        ["Rear hubs, through the chain"],
        [
            *("Date", "Hub", "Crank mm", "Weight kg", "Chainring", "Cog", "Chain loss %"),
            *("Zero Nm", "Torque Nm"),
        ],
    ]
    every = []
    for day in days(dice, 6):
        one = session(dice, dice.choice(("H01", "H02")), day, rings=ONE, arms=ONE)
        ring, cog = dice.choice((50, 52, 54)), dice.choice((15, 17, 19))
        zero, hung = one.readings
        shown = round(hung.torque_nm * cog / ring * 0.98, 2)
        one.readings = [
            replace(zero, chainring=str(ring)),
            replace(hung, chainring=str(ring), torque_nm=shown),
        ]
        own: list[Cell] = [day, one.meter, one.crank_mm, one.mass_kg, ring, cog, 2]
        grid.append([*own, zero.torque_nm, shown])
        every.append(one)
    return Sheet("hub_chain", "hubs.xlsx", xlsx_bytes({"Hubs": grid}), every)


def column_a_meter(dice: random.Random) -> Sheet:
    grid: Grid = [
        ["Bench days, torque in Nm"],
        ["All hung with 20 kg on 172.5 mm cranks"],
        [],
        ["Date", *FLEET],
    ]
    every = []
    for day in days(dice, 6):
        row: list[Cell] = [day]
        for meter in FLEET:
            if dice.random() < 0.2:
                row.append(None)
                continue
            one = session(dice, meter, day, rings=ONE, arms=ONE, zero=False)
            every.append(_same_crank(dice, one, 172.5))
            row.append(one.readings[0].torque_nm)
        grid.append(row)
    return Sheet("column_a_meter", "bench days.xlsx", xlsx_bytes({"Torque": grid}), every)


def meter_pairs(dice: random.Random) -> Sheet:
    meters = FLEET[:3]
    cranks = [dice.choice((165.0, 170.0, 172.5, 175.0)) for _ in meters]
    grid: Grid = [
        ["Masse 20 kg, Drehmoment in Nm"],
        [],
        [None, *(cell for meter in meters for cell in (meter, None))],
        ["Kurbel mm", *(cell for crank in cranks for cell in (crank, crank))],
        ["Datum", *("links", "rechts") * 3],
    ]
    every = []
    for day in days(dice, 5):
        row: list[Cell] = [day]
        for meter, crank in zip(meters, cranks, strict=True):
            one = session(dice, meter, day, rings=ONE, zero=False)
            every.append(_same_crank(dice, one, crank))
            row += [r.torque_nm for r in one.readings]
        grid.append(row)
    return Sheet("meter_pairs", "Vergleichstage.xlsx", xlsx_bytes({"2026": grid}), every)


def pair_cells(dice: random.Random) -> Sheet:
    every = _many(dice, 6)
    head: list[Cell] = ["Datum", "Gerät", "Blätter", "KL (mm)", "Masse (kg)", "Null L/R"]
    grid: Grid = [[*head, "groß L/R", "klein L/R"]]
    for number, one in enumerate(every):
        zero = one.torque(load="zero")
        both = [Reading("as_found", "zero", None, arm, zero) for arm in ("left", "right")]
        one.readings = [*both, *(r for r in one.readings if r.load == "mass")]
        if number == 2:
            one.readings = [r for r in one.readings if (r.chainring, r.arm) != ("small", "right")]
        cells: list[Cell] = []
        for load, ring in (("zero", None), ("mass", "large"), ("mass", "small")):
            said = [
                f"{r.torque_nm:.2f}".replace(".", ",")
                for r in one.readings
                if (r.load, r.chainring) == (load, ring)
            ]
            cells.append("/".join([*said, "–"][:2]))
        grid.append([one.day, one.meter, "52/36", one.crank_mm, one.mass_kg, *cells])
    data = csv_bytes(grid, separator=";", comma=True, day="%d.%m.%Y")
    return Sheet("pair_cells", "Messungen.csv", data, every)


def side_by_side(dice: random.Random) -> Sheet:
    head: list[Cell] = ["Date", "Crank mm", "Mass kg", "Zero", "L", "R"]
    logs = {
        meter: [session(dice, meter, day, rings=ONE) for day in days(dice, 5)]
        for meter in ("A12", "B07")
    }
    logs["B07"] = logs["B07"][:4]
    grid: Grid = [
        ["Meter A12", *[None] * 6, "Meter B07"],
        [*head, None, *head],
    ]
    for row in range(5):
        cells: list[Cell] = []
        for many in logs.values():
            one = many[row] if row < len(many) else None
            shown = [r.torque_nm for r in one.readings] if one else [None] * 3
            own: list[Cell] = [one.day, one.crank_mm, one.mass_kg] if one else [None] * 3
            cells += [*own, *shown, None]
        grid.append(cells)
    every = [one for many in logs.values() for one in many]
    return Sheet("side_by_side", "two logs.xlsx", xlsx_bytes({"Logs": grid}), every)


def legend_units(dice: random.Random) -> Sheet:
    every = _many(dice, 6, rings=ONE)
    grid: Grid = [["Datum", "Gerät", "Gewicht", "Hebel", "Null", "Links", "Rechts"]]
    for one in every:
        shown = [r.torque_nm for r in one.readings]
        grid.append([one.day, one.meter, one.mass_kg, one.crank_mm / 10, *shown])
    grid += [[], ["Legende: Gewicht in kg, Hebel in cm, Anzeige in Nm"]]
    data = csv_bytes(grid, separator=";", comma=True, day="%d.%m.%y", encoding="cp1252")
    return Sheet("legend_units", "liste.csv", data, every)


def serial_days(dice: random.Random) -> Sheet:
    every = _many(dice, 6)
    first = date(1899, 12, 30)
    head: list[Cell] = ["date", "time", "pm", "crank", "kg", "zero", "LL", "LR", "SL", "SR"]
    head[6:] = ["big left", "big right", "small left", "small right"]
    grid: Grid = [head]
    for one in every:
        own: list[Cell] = [(one.day - first).days, round(dice.uniform(0.35, 0.7), 6), one.meter]
        grid.append([*own, one.crank_mm, one.mass_kg, *(r.torque_nm for r in one.readings)])
    return Sheet("serial_days", "export.csv", csv_bytes(grid), every)


def gross_tare_net(dice: random.Random) -> Sheet:
    every = _many(dice, 6, rings=ONE, arms=ONE)
    grid: Grid = [["Date", "Device", "Arm mm", "Mass kg", "Gross", "Tare", "Net"]]
    for one in every:
        zero, hung = (r.torque_nm for r in one.readings)
        own: list[Cell] = [one.day, one.meter, one.crank_mm, one.mass_kg]
        grid.append([*own, hung, zero, round(hung - zero, 2)])
    return Sheet("gross_tare_net", "scale.csv", csv_bytes(grid, day="%d/%m/%Y"), every)


def missing_marks(dice: random.Random) -> Sheet:
    every = _many(dice, 7)
    head: list[Cell] = ["Date", "Meter", "Crank (mm)", "Mass (kg)", "Tests", "Zero (Nm)"]
    grid: Grid = [[*head, "Large L", "Large R", "Small L", "Small R", "Volts"]]
    for number, one in enumerate(every):
        cells: list[Cell] = [r.torque_nm for r in one.readings]
        lost = {1: (2, 0), 2: (3, "n/a"), 4: (4, "–"), 5: (1, "0"), 6: (3, 0.0)}
        if number in lost:
            at, mark = lost[number]
            cells[at] = mark
            del one.readings[at]
        own: list[Cell] = [one.day, one.meter, one.crank_mm, one.mass_kg]
        grid.append([*own, dice.randint(0, 3), *cells, dice.choice((3.0, 2.9, "n/a"))])
    return Sheet("missing_marks", "log 2026.xlsx", xlsx_bytes({"Log": grid}), every)


def days_across(dice: random.Random) -> Sheet:
    when = days(dice, 5)
    grid: Grid = [
        ["Drehmoment bei 20 kg [Nm]"],
        ["Gerät", "Kurbel mm", *when],
    ]
    every = []
    for meter in FLEET:
        crank = dice.choice((165.0, 170.0, 172.5, 175.0))
        row: list[Cell] = [meter, crank]
        for day in when:
            if dice.random() < 0.2:
                row.append(None)
                continue
            one = session(dice, meter, day, rings=ONE, arms=ONE, zero=False)
            every.append(_same_crank(dice, one, crank))
            row.append(one.readings[0].torque_nm)
        grid.append(row)
    return Sheet("days_across", "Übersicht.xlsx", xlsx_bytes({"Übersicht": grid}), every)


def two_rows(dice: random.Random) -> Sheet:
    every = _many(dice, 5, rings=ONE, left=True)
    grid: Grid = [["Data", "Misuratore", "Pedivella", "Massa kg", "Stato", "Zero", "Sx", "Dx"]]
    for one in every:
        own: list[Cell] = [one.day, one.meter, f"{one.crank_mm:g} mm", one.mass_kg]
        for stage, word in (("as_found", "prima"), ("as_left", "dopo")):
            shown = [r.torque_nm for r in one.readings if r.stage == stage]
            grid.append([*own, word, *shown])
            own = [None] * 4
    return Sheet("two_rows", "registro.ods", ods_bytes({"Registro": grid}), every)


def mass_steps(dice: random.Random) -> Sheet:
    sheets: dict[str, Grid] = {}
    every = []
    for day in days(dice, 3):
        meter, crank = dice.choice(FLEET), dice.choice((170.0, 172.5))
        one = Session(meter, day, crank, 20.0)
        error = dice.gauss(0, 0.015)
        grid: Grid = [
            [f"Meter {meter}"],
            [f"Date: {day:%d %B %Y}", None, f"Crank: {crank:g} mm"],
            [],
            ["Load kg", "Up Nm", "Down Nm"],
        ]
        for mass in (0.0, 5.0, 10.0, 20.0):
            cells: list[Cell] = [mass]
            for _ in ("up", "down"):
                shown = round(mass * G * crank / 1000 * (1 + error) + dice.gauss(0.1, 0.03), 2)
                load = "mass" if mass else "zero"
                one.readings.append(Reading("as_found", load, None, None, shown, mass or None))
                cells.append(shown)
            grid.append(cells)
        every.append(one)
        sheets[f"Steps {len(every)}"] = grid
    return Sheet("mass_steps", "linearity.xlsx", xlsx_bytes(sheets), every)


def nicknames(dice: random.Random) -> Sheet:
    every = _many(dice, 6, rings=ONE)
    grid: Grid = [
        ["Weights: Bertha = 20.02 kg, Zwerg = 10.01 kg"],
        [],
        ["Date", "Meter", "Crank", "Weight", "Zero ft-lb", "Left ft-lb", "Right ft-lb"],
    ]
    for one in every:
        name, mass = dice.choice((("Bertha", 20.02), ("Zwerg", 10.01)))
        ratio = mass / one.mass_kg
        one.mass_kg = mass
        cells: list[Cell] = []
        readings = []
        for r in one.readings:
            hung = r.torque_nm * (ratio if r.load == "mass" else 1)
            shown = round(hung / FT_LB, 2)
            cells.append(shown)
            readings.append(replace(r, torque_nm=round(shown * FT_LB, 6)))
        one.readings = readings
        grid.append([one.day, one.meter, one.crank_mm, name, *cells])
    return Sheet("nicknames", "hung.csv", csv_bytes(grid, day="%Y/%m/%d", separator=";"), every)


def grams_and_points(dice: random.Random) -> Sheet:
    every = _many(dice, 6, rings=ONE, mass_kg=20.015)
    spanish = dice.random() < 0.5
    head: list[Cell] = ["Data", "Misuratore", "Massa (g)", "Pedivella (mm)", "Zero (N·cm)"]
    head += ["Coppia sx (N·cm)", "Coppia dx (N·cm)"]
    if spanish:
        head = ["Fecha", "Medidor", "Masa (g)", "Biela (mm)", "Cero (N·cm)"]
        head += ["Par izq. (N·cm)", "Par der. (N·cm)"]
    grid: Grid = [head]

    def text(value: float, digits: int) -> str:
        english = f"{value:,.{digits}f}"
        return english.translate(str.maketrans(",.", ".,"))

    for one in every:
        shown = [text(r.torque_nm * 100, 1) for r in one.readings]
        own: list[Cell] = [one.day, one.meter, text(20015, 1), text(one.crank_mm, 1)]
        grid.append([*own, *shown])
    data = csv_bytes(grid, separator=";", day="%d/%m/%Y", encoding="utf-8-sig")
    return Sheet("grams_and_points", "medidas.csv", data, every)


def hidden_helpers(dice: random.Random) -> Sheet:
    every = _many(dice, 8)
    stream = io.BytesIO()
    book = xlsxwriter.Workbook(stream, {"in_memory": True})
    sheet = book.add_worksheet("Messungen")
    day = book.add_format({"num_format": "dd/mm/yyyy"})
    newton = book.add_format({"num_format": '0.00" Nm"'})
    head = ["Datum", "Gerät", "id", "KL", "Masse kg", "m·g·L", "Null", "gross L", "gross R"]
    head += ["klein L", "klein R", "Mittel", "Abw. %"]
    for at, text in enumerate(head):
        sheet.write(2, at, text)
    sheet.write(0, 0, "Bitte nur weiße Felder ausfüllen!")
    for number, one in enumerate(every):
        row, due = number + 3, one.mass_kg * G * one.crank_mm / 1000
        if number % 2:
            sheet.write_string(row, 0, f"{one.day:%d.%m.%Y}")
        else:
            sheet.write_datetime(row, 0, one.day, day)  # type: ignore[arg-type]
        sheet.write_row(row, 1, [one.meter, number + 1, one.crank_mm, one.mass_kg, round(due, 3)])
        shown = [r.torque_nm for r in one.readings]
        mean = sum(shown[1:]) / 4
        for at, value in enumerate([*shown, mean]):
            sheet.write(row, 6 + at, value, newton)
        sheet.write(row, 12, 100 * (mean / due - 1))
    sheet.write_comment(3, 7, "nach dem Sturz, zweimal gemessen: 33,1")
    sheet.set_column(2, 2, None, None, {"hidden": True})
    sheet.set_column(5, 5, None, None, {"hidden": True})
    sheet.autofilter(2, 0, 2 + len(every), 12)
    sheet.set_row(5, None, None, {"hidden": True})
    book.close()
    return Sheet("hidden_helpers", "Prüfungen.xlsx", stream.getvalue(), every)


def kg_a_heading(dice: random.Random) -> Sheet:
    every = _many(dice, 6, rings=ONE)
    grid: Grid = [
        ["Le", "Capteur", "Manivelle", "À vide", "G (20 kg)", "D (20 kg)", "Visa"],
    ]
    for one in every:
        shown = [f"{r.torque_nm:.2f}".replace(".", ",") for r in one.readings]
        length = f"{one.crank_mm:g}".replace(".", ",")
        grid.append([one.day, one.meter, length, *shown, "LB"])
    data = csv_bytes(grid, separator="\t", day="%d.%m.%Y", encoding="utf-16")
    return Sheet("kg_a_heading", "relevés.txt", data, every)


HABITS: tuple[Callable[[random.Random], Sheet], ...] = (
    *(year_a_sheet, session_page, hub_chain, column_a_meter, meter_pairs, pair_cells),
    *(side_by_side, legend_units, serial_days, gross_tare_net, missing_marks, days_across),
    *(two_rows, mass_steps, nicknames, grams_and_points, hidden_helpers, kg_a_heading),
)


def unclear(seed: int = 1) -> list[Sheet]:
    """Sheets of these habits of which something cannot be told, with the answers."""
    dice = random.Random(seed)
    many = [
        session(dice, meter, date(2026, 3, day), rings=ONE, zero=False)
        for meter, day in (("A12", 9), ("B07", 16), ("A12", 23))
    ]
    head: list[Cell] = ["Meter", "Mass kg", "Crank mm"]
    weeks: Grid = [["Week", *head, "L", "R"]]
    pairs: Grid = [["Date", *head, "Torque"]]
    named: Grid = [["Date", "Meter", "Weight", "Crank mm", "L", "R"]]
    for s in many:
        left, right = (r.torque_nm for r in s.readings)
        own: list[Cell] = [s.meter, s.mass_kg, s.crank_mm]
        year, week, _ = s.day.isocalendar()
        weeks.append([f"{year}-W{week:02d}", *own, left, right])
        pairs.append([s.day, *own, f"{left}/{right}"])
        named.append([s.day, s.meter, "Bertha", s.crank_mm, left, right])
    return [
        Sheet("weeks", "w.csv", csv_bytes(weeks), many, ("day_of_week",),
              {"day_of_week": "monday"}),
        Sheet("two_unsaid", "p.csv", csv_bytes(pairs), many,
              ("column:Torque (one)", "column:Torque (other)"),
              {"column:Torque (one)": "torque_nm (left)",
               "column:Torque (other)": "torque_nm (right)"}),
        Sheet("unknown_name", "n.csv", csv_bytes(named), many,
              ("mass_sets.Bertha.mass_kg",), {"mass_sets.Bertha.mass_kg": "20"}),
    ]  # fmt: skip
