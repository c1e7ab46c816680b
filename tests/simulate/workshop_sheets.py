"""Sheets as workshops keep them, each with the readings that truly stand in it.

How each style was invented:

titled_wide      a mechanic's log in a spreadsheet: title rows, a heading of two lines with merged
                 cells for the rings, a row of units, a mean and a remark below
german_log       one row a day with `gross L`, `gross R`, `klein`, `Soll`, computed deviations; CSV
                 as a German spreadsheet exports it
sheet_a_meter    a workbook with a sheet for each meter, its name on the tab; slopes old and new
turned           a sheet that grew to the right: a column a session, `As found` and `As left` as
                 titles between the rows
grouped_long     a row a reading; meter, day and slopes stand in the first row of a session only,
                 as merged cells are read
form             a sheet a session, printed and filled in: what holds for all above a small table
                 whose rows are rings and arms and whose columns are before and after
american         pounds, inches and inch-pounds, month before day
french_units     a unit in every cell, `Couple`, days with named months
monthly          a heading repeated for each month, days without a year under a title that has it
southern_long    Italian, Spanish or Dutch headings, a row a reading, UTF-16 with tabs
bare             short headings without any unit (`m`, `Kurbel`, `L`, `R`), repeats as 1, 2, 3
blocks           a block for each meter under a line `Meter: A12, crank 172.5 mm, 20.05 kg`
Ambiguous ones: what a person would have to be asked about.
"""

import io
import random
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from xml.sax.saxutils import escape

import xlsxwriter

G = 9.80665
Cell = str | float | int | date | None
Grid = list[list[Cell]]
LB, IN_LB = 0.45359237, 4.4482216152605 * 0.0254


@dataclass(frozen=True)
class Reading:
    """A true reading: its traits as the schema has them, the torque shown in N·m.

    mass_kg  what hung at this one, where it is not what hung at the whole session
    """

    stage: str
    load: str
    chainring: str | None
    arm: str | None
    torque_nm: float
    mass_kg: float | None = None


@dataclass
class Session:
    meter: str
    day: date
    crank_mm: float
    mass_kg: float
    readings: list[Reading] = field(default_factory=list)
    slope_before: float | None = None
    slope_after: float | None = None
    temperature_c: float = 20.0

    def torque(self, **traits: str | None) -> float:
        """The torque of the one reading with these traits."""
        [found] = [
            r.torque_nm
            for r in self.readings
            if all(getattr(r, name) == value for name, value in traits.items())
        ]
        return found


@dataclass
class Sheet:
    """A file, the sessions in it, and what has to be asked first (keys of questions)."""

    style: str
    name: str
    data: bytes
    sessions: list[Session]
    asked: tuple[str, ...] = ()
    answers: dict[str, str] = field(default_factory=dict)

    def truth(self) -> Counter[tuple[object, ...]]:
        """Every reading as (meter, day, stage, load, ring, arm, torque, mass, crank)."""
        return Counter(
            (
                *(s.meter, s.day.isoformat(), r.stage, r.load, r.chainring, r.arm),
                round(r.torque_nm, 2),
                0.0 if r.load == "zero" else round(r.mass_kg or s.mass_kg, 2),
                round(s.crank_mm, 1),
            )
            for s in self.sessions
            for r in s.readings
        )


# ---- sessions ------------------------------------------------------------------------------

METERS = ("A12", "B07", "C01", "PM-4", "Nord 3")


def session(
    dice: random.Random,
    meter: str,
    day: date,
    *,
    rings: tuple[str | None, ...] = ("large", "small"),
    arms: tuple[str | None, ...] = ("left", "right"),
    zero: bool = True,
    left: bool = False,
    mass_kg: float = 20.0,
    digits: int = 2,
) -> Session:
    """A session with an error of a few percent, corrected where it has readings as left."""
    crank = dice.choice((165.0, 170.0, 172.5, 175.0))
    error = dice.gauss(0, 0.02)
    found = Session(meter, day, crank, mass_kg, temperature_c=round(dice.uniform(15, 26), 1))
    due = mass_kg * G * crank / 1000
    if left:
        found.slope_before = round(dice.uniform(18, 22), 2)
        found.slope_after = round(found.slope_before * (1 + error), 2)  # a divisor
    for stage in ("as_found", "as_left") if left else ("as_found",):
        if zero:
            shown = round(dice.gauss(0.1, 0.1), digits)
            found.readings.append(Reading(stage, "zero", None, None, shown))
        rest = error if stage == "as_found" else 0.0
        for ring in rings:
            for arm in arms:
                shown = round(due * (1 + rest + dice.gauss(0, 0.002)) + 0.1, digits)
                found.readings.append(Reading(stage, "mass", ring, arm, shown))
    return found


def days(dice: random.Random, count: int, *, telling: bool = True) -> list[date]:
    """Days a week or so apart; `telling`: one of them is after the twelfth of its month."""
    day = date(2026, dice.randint(1, 4), dice.randint(1, 9))
    out = []
    for _ in range(count):
        out.append(day)
        day += timedelta(days=dice.randint(4, 12))
    if telling and all(d.day <= 12 for d in out):
        out[-1] = out[-1].replace(day=23)
    return out


# ---- files ---------------------------------------------------------------------------------


def _text(cell: Cell, *, comma: bool, day: str = "%Y-%m-%d") -> str:
    if cell is None:
        return ""
    if isinstance(cell, date):
        return cell.strftime(day)
    if isinstance(cell, float):
        text = f"{cell:.10g}"
        return text.replace(".", ",") if comma else text
    return str(cell)


def csv_bytes(
    grid: Grid, *, separator: str = ",", comma: bool = False, encoding: str = "utf-8",
    day: str = "%Y-%m-%d",
) -> bytes:  # fmt: skip
    """A grid as CSV, cells with the separator in quotation marks."""
    lines = []
    for row in grid:
        cells = [_text(cell, comma=comma, day=day) for cell in row]
        lines.append(separator.join(f'"{c}"' if separator in c else c for c in cells))
    return "\r\n".join(lines).encode(encoding)


def xlsx_bytes(sheets: dict[str, Grid]) -> bytes:
    """Grids as a workbook; days are real dates."""
    stream = io.BytesIO()
    book = xlsxwriter.Workbook(stream, {"in_memory": True})
    day = book.add_format({"num_format": "dd.mm.yy"})
    for name, grid in sheets.items():
        sheet = book.add_worksheet(name)
        for i, row in enumerate(grid):
            for j, cell in enumerate(row):
                if isinstance(cell, date):
                    sheet.write_datetime(i, j, cell, day)
                elif cell is not None:
                    sheet.write(i, j, cell)
    book.close()
    return stream.getvalue()


def ods_bytes(sheets: dict[str, Grid]) -> bytes:
    """Grids as an OpenDocument spreadsheet, the smallest that is one."""
    tables = ""
    for name, grid in sheets.items():
        rows = ""
        for row in grid:
            cells = "".join(_ods_cell(cell) for cell in row)
            rows += f"<table:table-row>{cells}</table:table-row>"
        tables += f'<table:table table:name="{escape(name)}">{rows}</table:table>'
    names = {
        short: f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{short}:1.0"'
        for short in ("office", "table", "text")
    }
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {" ".join(names.values())}'
        ' office:version="1.2"><office:body><office:spreadsheet>'
        f"{tables}</office:spreadsheet></office:body></office:document-content>"
    )
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as box:
        box.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        box.writestr("content.xml", content)
        box.writestr(
            "META-INF/manifest.xml",
            "<manifest:manifest xmlns:manifest="
            '"urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
            '<manifest:file-entry manifest:full-path="/" manifest:media-type='
            '"application/vnd.oasis.opendocument.spreadsheet"/></manifest:manifest>',
        )
    return stream.getvalue()


def _ods_cell(cell: Cell) -> str:
    if cell is None or cell == "":
        return "<table:table-cell/>"
    if isinstance(cell, date):
        return (
            f'<table:table-cell office:value-type="date" office:date-value="{cell.isoformat()}">'
            f"<text:p>{cell.isoformat()}</text:p></table:table-cell>"
        )
    if isinstance(cell, (int, float)):
        return (
            f'<table:table-cell office:value-type="float" office:value="{cell}">'
            f"<text:p>{cell}</text:p></table:table-cell>"
        )
    return (
        '<table:table-cell office:value-type="string">'
        f"<text:p>{escape(cell)}</text:p></table:table-cell>"
    )


# ---- styles --------------------------------------------------------------------------------


def _sessions(dice: random.Random, count: int = 6, **options: object) -> list[Session]:
    return [
        session(dice, dice.choice(METERS), day, **options)  # type: ignore[arg-type]
        for day in days(dice, count)
    ]


def titled_wide(dice: random.Random) -> Sheet:
    many = _sessions(dice)
    for one in many:
        one.crank_mm = 172.5
    many = [_hung(dice, one) for one in many]
    grid: Grid = [
        ["Power meter calibration log"],
        [],
        ["Test mass 20 kg, crank length 172.5 mm", None, None, None, None, "Workshop south"],
        [],
        [None, None, None, None, "Large ring", None, "Small ring", None, None],
        ["Date", "Power meter", "Temp", "Zero", "L", "R", "L", "R", "Mean"],
        [None, None, "°C", "Nm", "Nm", "Nm", "Nm", "Nm", "Nm"],
    ]
    for one in many:
        loaded = [r.torque_nm for r in one.readings if r.load == "mass"]
        zero = one.torque(load="zero")
        mean = round(sum(loaded) / len(loaded), 2)
        grid.append([one.day, one.meter, one.temperature_c, zero, *loaded, mean])
    grid += [["Average", None, None, None, 33.8], [], ["Bench moved on 3 March, all fine since"]]
    return Sheet("titled_wide", "calibration.xlsx", xlsx_bytes({"Log": grid}), many)


def _hung(dice: random.Random, one: Session) -> Session:
    """The same session with readings of the crank length that it has now."""
    due = one.mass_kg * G * one.crank_mm / 1000
    error = dice.gauss(0, 0.02)
    one.readings = [
        r
        if r.load == "zero"
        else Reading(
            r.stage, r.load, r.chainring, r.arm, round(due * (1 + error + dice.gauss(0, 0.002)), 2)
        )
        for r in one.readings
    ]
    return one


def german_log(dice: random.Random) -> Sheet:
    many = _sessions(dice, mass_kg=20.01)
    for one in many:  # the small ring is read on one side only
        one.readings = [r for r in one.readings if (r.chainring, r.arm) != ("small", "right")]
        last = one.readings.pop()
        one.readings.append(Reading("as_found", "mass", "small", None, last.torque_nm))
    head: list[Cell] = [
        *("Datum", "Messgerät", "Prüfer", "Gewicht", "Kurbel", "Null", "gross L", "gross R"),
        *("klein", "Soll", "Abw. %", "i.O."),
    ]
    grid: Grid = [head]
    for one in many:
        loaded = [r.torque_nm for r in one.readings if r.load == "mass"]
        due = round(one.mass_kg * G * one.crank_mm / 1000, 2)
        off = round(100 * (sum(loaded) / 3 / due - 1), 2)
        zero = one.torque(load="zero")
        kilograms = f"{one.mass_kg:.2f} kg".replace(".", ",")
        grid.append(
            [one.day, one.meter, "MK", kilograms, one.crank_mm, zero, *loaded, due, off, "✓"]
        )
    data = csv_bytes(grid, separator=";", comma=True, encoding="utf-8-sig", day="%d.%m.%y")
    return Sheet("german_log", "Kalibrierung.csv", data, many)


def sheet_a_meter(dice: random.Random) -> Sheet:
    sheets: dict[str, Grid] = {}
    every = []
    for meter in ("A12", "B07", "C01"):
        head: list[Cell] = [
            *("Date", "Crank (mm)", "Mass (kg)", "Slope old", "Slope new"),
            *("Zero before", "Torque before", "Zero after", "Torque after"),
        ]
        grid: Grid = [[f"History of {meter}"], [], head]
        for day in days(dice, 4):
            one = session(dice, meter, day, rings=(None,), arms=(None,), left=True)
            every.append(one)
            shown = [r.torque_nm for r in one.readings]
            grid.append([day, one.crank_mm, one.mass_kg, one.slope_before, one.slope_after, *shown])
        sheets[meter] = grid
    form = dice.choice((xlsx_bytes, ods_bytes))
    name = "meters.xlsx" if form is xlsx_bytes else "meters.ods"
    return Sheet("sheet_a_meter", name, form(sheets), every)


def turned(dice: random.Random) -> Sheet:
    many = _sessions(dice, 5, left=True, zero=False, rings=("large",))
    rows: Grid = [
        ["Session", *range(1, 6)],
        ["Date", *(one.day for one in many)],
        ["Meter", *(one.meter for one in many)],
        ["Crank length mm", *(one.crank_mm for one in many)],
        ["Weight kg", *(one.mass_kg for one in many)],
    ]
    for title, stage in (("As found", "as_found"), ("As left", "as_left")):
        rows.append([title])
        for letter, arm in (("L", "left"), ("R", "right")):
            cells = [one.torque(stage=stage, arm=arm) for one in many]
            rows.append([f"big ring {letter}", *cells])
    return Sheet("turned", "sessions.xlsx", xlsx_bytes({"2026": rows}), many)


def grouped_long(dice: random.Random) -> Sheet:
    many = _sessions(dice, 5)
    grid: Grid = [["Date", "Meter", "Crank mm", "Weight kg", "Ring", "Side", "Reading Nm"]]
    for one in many:
        own: list[Cell] = [one.day, one.meter, one.crank_mm, one.mass_kg]
        for r in one.readings:
            ring = {"large": "big", "small": "small", None: "zero"}[r.chainring]
            side = {"left": "L", "right": "R", None: None}[r.arm]
            grid.append([*own, ring, side, r.torque_nm])
            own = [None] * 4
    return Sheet("grouped_long", "readings.xlsx", xlsx_bytes({"Readings": grid}), many)


def form(dice: random.Random) -> Sheet:
    sheets: dict[str, Grid] = {}
    many = _sessions(dice, 4, left=True)
    for number, one in enumerate(many, 1):
        grid: Grid = [
            ["Prüfprotokoll"],
            [],
            ["Gerät:", one.meter, None, "Datum:", one.day],
            ["Kurbellänge:", f"{one.crank_mm:g} mm", None, "Masse:", f"{one.mass_kg:g} kg"],
            [],
            ["Position", "vorher", "nachher"],
        ]
        rings: tuple[tuple[str | None, str | None, str], ...] = (
            (None, None, "Null"),
            *(("large", "left", "groß links"), ("large", "right", "groß rechts")),
            *(("small", "left", "klein links"), ("small", "right", "klein rechts")),
        )
        for ring, arm, label in rings:
            cells = [one.torque(stage=s, chainring=ring, arm=arm) for s in ("as_found", "as_left")]
            grid.append([label, *cells])
        grid += [[], ["Unterschrift:", "MK"]]
        sheets[f"Protokoll {number}"] = grid
    return Sheet("form", "protokolle.xlsx", xlsx_bytes(sheets), many)


def american(dice: random.Random) -> Sheet:
    many = _sessions(dice, mass_kg=round(44.1 * LB, 6))
    grid: Grid = [
        [
            "Date",
            "PM",
            "Wt (lb)",
            "Arm (in)",
            "Zero",
            "Big L",
            "Big R",
            "Small L",
            "Small R",
            "Tech",
        ]
    ]
    for one in many:
        inches = round(one.crank_mm / 25.4, 4)
        one.readings = [
            replace(r, torque_nm=round(round(r.torque_nm / IN_LB, 1) * IN_LB, 6))
            for r in one.readings
        ]
        shown = [round(r.torque_nm / IN_LB, 1) for r in one.readings]
        grid.append([one.day, one.meter, 44.1, inches, *shown, "JB"])
    return Sheet("american", "pm log.csv", csv_bytes(grid, day="%m/%d/%Y"), many)


def french_units(dice: random.Random) -> Sheet:
    many = _sessions(dice, rings=(None,), zero=True)
    months = [
        "janv",
        "févr",
        "mars",
        "avril",
        "mai",
        "juin",
        "juil",
        "août",
        "sept",
        "oct",
        "nov",
        "déc",
    ]
    grid: Grid = [["Étalonnage des capteurs"], [], [
        "Jour", "Capteur", "Masse", "Manivelle", "À vide", "Couple gauche", "Couple droit", "Écart",
    ]]  # fmt: skip
    for one in many:
        zero, left, right = (f"{r.torque_nm:.2f} N.m".replace(".", ",", 1) for r in one.readings)
        day = f"{one.day.day} {months[one.day.month - 1]} {one.day.year}"
        length = f"{one.crank_mm:g} mm".replace(".", ",")
        grid.append([day, one.meter, "20 kg", length, zero, left, right, "0,1 %"])
    return Sheet("french_units", "etalonnage.csv", csv_bytes(grid, separator=";"), many)


def monthly(dice: random.Random) -> Sheet:
    many = [
        session(dice, dice.choice(METERS), date(2026, month, day), arms=(None,))
        for month in (1, 2, 3)
        for day in sorted(dice.sample(range(1, 28), 3))
    ]
    head: list[Cell] = ["Tag", "Gerät", "KL mm", "Masse kg", "Null", "gr. Blatt", "kl. Blatt"]
    grid: Grid = [["Leistungsmesser 2026"], []]
    for month, name in ((1, "Januar"), (2, "Februar"), (3, "März")):
        grid += [[name], head]
        for one in many:
            if one.day.month == month:
                day = f"{one.day.day}.{one.day.month}."
                shown = [r.torque_nm for r in one.readings]
                grid.append([day, one.meter, one.crank_mm, one.mass_kg, *shown])
        grid += [["Mittelwert", None, None, None, 0.1, 33.6, 33.7], []]
    data = csv_bytes(grid, separator=";", comma=True, encoding="cp1252")
    return Sheet("monthly", "2026.csv", data, many)


_SOUTHERN: dict[str, tuple[list[Cell], dict[str | None, str], dict[str | None, str]]] = {
    "it": (
        ["Data", "Misuratore", "Pedivella mm", "Peso kg", "Corona", "Lato", "Coppia Nm"],
        {"large": "grande", "small": "piccola", None: "a vuoto"},
        {"left": "sx", "right": "dx", None: ""},
    ),
    "es": (
        ["Fecha", "Medidor", "Biela mm", "Pesa kg", "Plato", "Lado", "Par Nm"],
        {"large": "grande", "small": "pequeño", None: "cero"},
        {"left": "izq", "right": "der", None: ""},
    ),
    "nl": (
        ["Datum", "Vermogensmeter", "Cranklengte mm", "Gewicht kg", "Blad", "Zijde", "Koppel Nm"],
        {"large": "groot", "small": "klein", None: "nul"},
        {"left": "links", "right": "rechts", None: ""},
    ),
}


def southern_long(dice: random.Random) -> Sheet:
    many = _sessions(dice, 4)
    head, rings, arms = _SOUTHERN[dice.choice(sorted(_SOUTHERN))]
    grid: Grid = [head]
    for one in many:
        for r in one.readings:
            own: list[Cell] = [one.day, one.meter, one.crank_mm, one.mass_kg]
            grid.append([*own, rings[r.chainring], arms[r.arm], r.torque_nm])
    data = csv_bytes(grid, separator="\t", comma=True, encoding="utf-16", day="%d/%m/%Y")
    return Sheet("southern_long", "misure.tsv", data, many)


def bare(dice: random.Random) -> Sheet:
    many = []
    for day in days(dice, 6):
        one = session(dice, dice.choice(METERS), day, rings=(None, None, None), arms=("left",))
        one.readings = [Reading(r.stage, r.load, None, None, r.torque_nm) for r in one.readings]
        many.append(one)
    grid: Grid = [["wann", "Sensor", "m", "Kurbel", "0", "Anzeige 1", "Anzeige 2", "Anzeige 3"]]
    grid[0][4] = "leer"
    for one in many:
        shown = [r.torque_nm for r in one.readings]
        grid.append([one.day, one.meter, one.mass_kg, one.crank_mm, *shown])
    data = csv_bytes(grid, separator=";", comma=True, day="%d.%m.%Y")
    return Sheet("bare", "messungen.csv", data, many)


def blocks(dice: random.Random) -> Sheet:
    grid: Grid = [["Bench notes"]]
    every = []
    for meter in ("A12", "B07", "PM-4"):
        many = [session(dice, meter, day, rings=(None,)) for day in days(dice, 3)]
        for one in many:
            one.crank_mm, one.mass_kg = many[0].crank_mm, 20.05
            _hung(dice, one)
        grid += [
            [],
            [f"Meter: {meter}, crank {many[0].crank_mm:g} mm, mass 20.05 kg"],
            ["date", "zero", "left", "right", "note"],
        ]
        for one in many:
            grid.append([one.day, *(r.torque_nm for r in one.readings), "ok"])
        every += many
    return Sheet("blocks", "notes.xlsx", xlsx_bytes({"Sheet1": grid}), every)


STYLES: tuple[Callable[[random.Random], Sheet], ...] = (
    *(titled_wide, german_log, sheet_a_meter, turned, grouped_long, form, american),
    *(french_units, monthly, southern_long, bare, blocks),
)


def sheets(each: int = 3, seed: int = 1) -> list[Sheet]:
    """`each` sheets of every style."""
    dice = random.Random(seed)
    return [style(dice) for style in STYLES for _ in range(each)]


# ---- what has to be asked ------------------------------------------------------------------


def ambiguous(seed: int = 1) -> list[Sheet]:
    """Sheets of which something cannot be told, with the answers that make it known."""
    dice = random.Random(seed)
    one = [
        session(dice, "A12", date(2025, 4, 3), arms=(None,)),
        session(dice, "B07", date(2025, 6, 5), arms=(None,)),
    ]

    def grid(
        head: list[Cell], *, mass: bool = True, crank: bool = True, meter: bool = True
    ) -> Grid:
        rows: Grid = [head]
        for s in one:
            own: list[Cell] = [s.day]
            own += [s.meter] if meter else []
            own += [s.mass_kg] if mass else []
            own += [s.crank_mm] if crank else []
            rows.append([*own, *(r.torque_nm for r in s.readings)])
        return rows

    head: list[Cell] = ["Date", "Meter", "Mass kg", "Crank mm", "Zero", "Large", "Small"]
    unnamed: list[Cell] = ["Date", "Meter", "Mass kg", "Crank mm", "Zero", "x1", "x2"]
    wrong_unit: list[Cell] = [*head[:4], "Zero", "Large (in-lb)", "Small (in-lb)"]
    return [
        Sheet("day_or_month", "a.csv", csv_bytes(grid(head), day="%d/%m/%y"), one, ("date_order",),
              {"date_order": "day_month_year"}),
        Sheet("unnamed", "b.csv", csv_bytes(grid(unnamed)), one, ("column:x1", "column:x2"),
              {"column:x1": "torque_nm (large)", "column:x2": "torque_nm (small)"}),
        Sheet("no_mass", "c.csv", csv_bytes(grid([*head[:2], *head[3:]], mass=False)), one,
              ("mass_kg",), {"mass_kg": "20 kg"}),
        Sheet("no_meter", "d.csv", csv_bytes(grid([head[0], *head[2:]], meter=False)[:2]), one[:1],
              ("meter_id",), {"meter_id": "A12"}),
        Sheet("wrong_unit", "e.csv", csv_bytes(grid(wrong_unit)), one, ("units",),
              {"units": "N·m, kg"}),
    ]  # fmt: skip
