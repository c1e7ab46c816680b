"""Input tables whose cells are written as people write them, with what each of them truly says.

Shares no code with the checks: it knows the schema alone. A cell is left as the template asks, is
written otherwise but so that it means the same, or holds nothing that could be used.
"""

import random
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from ingest.schema import TABLES, Column, Table

Value = str | float | int | bool | date | datetime | None
WRECKS = ("abc", "#DIV/0!", "33.9/34.1", "1e400", "12.3.4.5", "20 kg + 23 g", "1 2 3 x", "~~", "∞")
NOTHING = ("-", "n/a", "--", "none", "—")
OWN = {
    "mm": ("mm", "MM", "millimetres"),
    "kg": ("kg", "Kg", "kilos"),
    "g": ("g", "grams"),
    "N·m": ("Nm", "N·m", "N m", "newton metres"),
    "°C": ("°C", "C", "degC"),
    "%": ("%", "pct", "percent"),
    "m/s²": ("m/s²", "m/s2"),
    "°": ("°", "deg"),
    "m": ("m", "metres"),
    "min": ("min", "minutes"),
    "s": ("s", "sec"),
    "W": ("W", "watts"),
    "rpm": ("rpm", "U/min"),
    "V": ("V", "volts"),
    "teeth": ("t", "T", "teeth"),
    "a week": ("per week", "/week"),
}
# unit: (another one, its size in the first); NIST SP 811 (2008), appendix B.8.
OTHER = {
    "mm": (("cm", 10.0), ("in", 25.4), ("m", 1000.0), ('"', 25.4)),
    "kg": (("lb", 0.45359237), ("g", 1e-3), ("lbs", 0.45359237)),
    "g": (("mg", 1e-3), ("kg", 1e3), ("oz", 28.349523125)),
    "N·m": (("lbf ft", 1.3558179483), ("in-lb", 0.11298482902), ("kgf·m", 9.80665), ("Nmm", 1e-3)),
    "min": (("h", 60.0), ("s", 1 / 60)),
    "s": (("min", 60.0), ("h", 3600.0), ("ms", 1e-3)),
    "W": (("kW", 1000.0),),
    "V": (("mV", 1e-3),),
    "m": (("ft", 0.3048), ("km", 1000.0)),
}
WORDS = {
    "left": ("L", "left arm", "links", "LEFT"),
    "right": ("R", "right side", "droite"),
    "large": ("big", "outer"),
    "small": ("inner", "S"),
    "zero": ("no load", "unloaded"),
    "mass": ("weight", "Loaded"),
    "pedal_pair": ("pedals", "both pedals"),
    "pedal_left": ("left pedal",),
    "crank_arm_left": ("left arm", "Crank Arm Left"),
    "crank_spider": ("spider",),
    "written_off": ("retired", "scrapped"),
    "lent": ("loan", "on loan"),
    "at_service": ("in repair",),
    "battery_swap": ("new battery", "battery"),
    "as_found": ("before", "as found"),
}


@dataclass
class Mutated:
    """A table as text, and what each row truly says.

    truth    by row (2, 3, …): the values by column; where a cell is a wreck, the row has none
    """

    table: Table
    header: list[str]
    rows: list[list[str]]
    truth: dict[int, dict[str, Value] | None] = field(default_factory=dict)
    separator: str = ","


def mutated(seed: int, name: str, *, rows: int = 6, share: float = 0.3) -> Mutated:
    """Return a table of which a share of the cells is written otherwise."""
    rng, table = random.Random(f"{seed} {name}"), TABLES[name]
    hand = Hand(rng)
    names = [c.name for c in table.columns if c.required or rng.random() < 0.7]
    names = [c.name for c in table.columns if c.name in {*names, *table.key, *_needed(table)}]
    made = Mutated(table, names, [], separator=hand.separator)
    for number in range(2, rows + 2):
        values, texts, wrecked = _row(table, names, f"{seed}-{number}", rng), [], False
        for name_ in names:
            column = table.column(name_)
            text, value, wreck = hand.write(column, values[name_], share)
            values[name_], wrecked = value, wrecked or wreck
            texts.append(text)
        made.rows.append(texts)
        made.truth[number] = None if wrecked else values
    return made


class Hand:
    """How one person writes: one order of day and month, one sign for decimals."""

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.comma = rng.random() < 0.4
        self.separator = ";" if self.comma or rng.random() < 0.2 else ","
        self.month_first = rng.random() < 0.3

    def write(self, column: Column, value: Value, share: float) -> tuple[str, Value, bool]:
        """Return a cell, what it says, and whether it is a wreck."""
        rng = self.rng
        plain = self.plain(value)
        if value is None or (column.kind is str and not column.choices) or rng.random() > share:
            return plain, value, False
        if rng.random() < 0.12:
            return rng.choice(WRECKS), None, True
        if rng.random() < 0.1 and not column.required and column.name not in _NEVER_EMPTY:
            return rng.choice(NOTHING), None, False
        if isinstance(value, datetime | date):
            return self.day(value, clock=column.kind is datetime), value, False
        if isinstance(value, bool):
            return rng.choice(("ja", "Yes", "y") if value else ("nein", "No", "n")), value, False
        if isinstance(value, str):
            return rng.choice((*WORDS.get(value, ()), value.upper())), value, False
        return self.amount(column, float(value), plain), value, False

    def plain(self, value: Value) -> str:
        if value is None:
            return ""
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, datetime):
            return value.strftime("%Y-%m-%dT%H:%M")
        return self.number(value) if isinstance(value, float | int) else str(value)

    def number(self, value: float) -> str:
        text = f"{value:.10g}"
        return text.replace(".", ",") if self.comma else text

    def amount(self, column: Column, value: float, plain: str) -> str:
        rng, ways = self.rng, []
        gap = rng.choice(("", " "))
        if column.unit in OWN:
            ways.append(f"{plain}{gap}{rng.choice(OWN[column.unit])}")
        for unit, size in OTHER.get(column.unit, ()) if column.kind is float else ():
            ways.append(f"{self.number(value / size)}{gap}{unit}")
        if column.unit == "°C":
            ways.append(f"{self.number(value * 1.8 + 32)} °F")
        return rng.choice(ways or [plain])

    def day(self, value: date, *, clock: bool) -> str:
        rng = self.rng
        a, b = (value.month, value.day) if self.month_first else (value.day, value.month)
        year = value.year
        text = rng.choice(
            (
                f"{a}.{b}.{year % 100:02}", f"{a:02}/{b:02}/{year}", f"{a}/{b}/{year % 100:02}",
                f"{year}/{value.month}/{value.day}", f"{year}.{value.month:02}.{value.day:02}",
                f"{value.day} {value:%b} {year}", f"{value:%B} {value.day}, {year}",
                f"{a:02}-{b:02}-{year}", f"{value:%a}, {value.day}. {value:%B} {year}",
            )
        )  # fmt: skip
        return f"{text} {value:%H:%M}" if clock else text


_NEVER_EMPTY = {"mass_kg", "crank_length_mm", "bench_id", "latitude_deg", "altitude_m", "reading"}


def _needed(table: Table) -> set[str]:
    """Return columns that a row cannot do without, whatever the column says of itself."""
    names = {*table.exactly_one[:1], *table.at_least_one}
    return names | ({"mass_kg", "crank_length_mm"} if table.name == "bench" else set())


def _row(table: Table, names: list[str], mark: str, rng: random.Random) -> dict[str, Value]:
    """Return a row that keeps every rule, with a key of its own."""
    row = {name: _value(table.column(name), mark, rng) for name in names}
    for first, last in table.ordered:
        if first in row and last in row:
            row[first], row[last] = sorted((row[first], row[last]))  # type: ignore[type-var]
    for one, least in ((table.exactly_one, 1), (table.at_most_one, 0)):
        for name in [name for name in one if name in row][max(least, 1) :]:
            row[name] = None
    if table.together and sum(name in row for name in table.together) == 1:
        row |= dict.fromkeys(set(table.together) & set(row))
    if table.name == "bench":
        row["mass_kg"] = round(rng.uniform(5, 60), 3)
    return row


def _value(column: Column, mark: str, rng: random.Random) -> Value:
    if column.choices:
        return rng.choice(column.choices)
    if column.kind is str:
        return f"{column.name[:3]}-{mark}"
    if column.kind is bool:
        return rng.random() < 0.5
    day = date(2015, 1, 1) + timedelta(days=rng.randrange(4000))
    if column.kind is date:
        return day
    if column.kind is datetime:
        return datetime(day.year, day.month, day.day, rng.randrange(24), rng.randrange(60))
    low = column.low if column.low is not None else 0.5
    high = column.high if column.high is not None else 200.0
    if column.kind is int:
        return rng.randint(int(low), min(int(high), int(low) + 90))
    span = min(high, low + 400.0) if column.unit != "m/s²" else high
    return round(rng.uniform(low + 0.05 * (span - low), span * 0.98), rng.choice((0, 1, 2, 3)))
