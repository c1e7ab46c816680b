"""Suggestions: what to do about a cell that is not what its column expects."""

import re
from collections.abc import Callable
from datetime import date, datetime, timedelta
from math import isfinite

from ingest.readers import nearest
from ingest.schema import Column

_FORMULA_ERROR = re.compile(r"^#(DIV/0!|N/A|NAME\?|NULL!|NUM!|REF!|VALUE!|SPILL!|CALC!)$")
_MISSING_WORDS = {"-", "--", "n/a", "na", "none", "null", "nan", "nil", "?", "x", "tbd", "."}
_WITH_UNIT = re.compile(r"^([+-]?[\d.,]+)\s*([a-zA-Zµ°·%/²\"']+\.?)$")
_DAY_FIRST = re.compile(r"^(\d{1,2})([./-])(\d{1,2})\2(\d{4}|\d{2})(.*)$")
_SLASHED_YEAR = re.compile(r"^(\d{4})[./-](\d{1,2})[./-](\d{1,2})(.*)$")
_SHEET_DAY = re.compile(r"^\d{5}(?:[.,]\d+)?$")

# unit: what to try, in words; the first that lands in the column's range is offered.
_CONVERSIONS: dict[str, list[tuple[str, Callable[[float], float], str]]] = {
    "mm": [
        ("looks like centimetres: multiply by 10", lambda v: v * 10, "mm"),
        ("looks like inches: multiply by 25.4", lambda v: v * 25.4, "mm"),
        ("looks like metres: multiply by 1000", lambda v: v * 1000, "mm"),
    ],
    "kg": [("looks like grams: divide by 1000", lambda v: v / 1000, "kg")],
    "g": [("looks like milligrams: divide by 1000", lambda v: v / 1000, "g")],
    "°C": [("looks like degrees Fahrenheit", lambda v: (v - 32) / 1.8, "°C")],
    "m/s²": [("looks like cm/s²: divide by 100", lambda v: v / 100, "m/s²")],
    "N·m": [("looks like newton millimetres: divide by 1000", lambda v: v / 1000, "N·m")],
    "W": [("looks like milliwatts: divide by 1000", lambda v: v / 1000, "W")],
    "%": [("looks like a fraction: multiply by 100", lambda v: v * 100, "%")],
    "V": [("looks like millivolts: divide by 1000", lambda v: v / 1000, "V")],
    "s": [("looks like milliseconds: divide by 1000", lambda v: v / 1000, "s")],
}
_FOREIGN_UNITS: dict[str, tuple[str, float]] = {
    "lb": ("kg", 0.45359237),
    "lbs": ("kg", 0.45359237),
    "oz": ("g", 28.349523),
    "in": ("mm", 25.4),
    '"': ("mm", 25.4),
    "cm": ("mm", 10.0),
    "g": ("kg", 0.001),
    "kg": ("g", 1000.0),
    "ft": ("m", 0.3048),
    "lbft": ("N·m", 1.3558179),
    "inlb": ("N·m", 0.11298483),
    "h": ("min", 60.0),
    "min": ("s", 60.0),
    "mv": ("V", 0.001),
    "kw": ("W", 1000.0),
}


def fix_for(column: Column, text: str, value: float | None, *, zone: str) -> str:
    """Return what to do about a cell, in one sentence.

    text    the cell as it stands
    value   the number that it was read as, None if it is no number
    """
    if _FORMULA_ERROR.match(text):
        return "a formula of the spreadsheet failed here: mend it, or type the value"
    if text.lower() in _MISSING_WORDS:
        if column.required:
            return f'this column needs a value, and "{text}" is none'
        return "leave the cell empty where there is no value"
    if column.choices:
        return _choice_fix(column, text)
    if column.kind is bool:
        return "write yes or no"
    if column.kind is date:
        return _date_fix(text) or "write the day as year-month-day: 2026-03-14"
    if column.kind is datetime:
        return _instant_fix(text, zone)
    return _number_fix(column, text, value)


def _choice_fix(column: Column, text: str) -> str:
    close = nearest(text, column.choices)
    if close:
        return f"did you mean {close}?"
    if column.or_teeth:
        return "write large, small, or the number of teeth, 10 to 80"
    return f"write one of: {', '.join(column.choices)}"


def _number_fix(column: Column, text: str, value: float | None) -> str:
    if value is not None:
        return _range_fix(column, value)
    if re.match(r"^\d{4}-\d{2}-\d{2}", text):
        return (
            "the spreadsheet turned the number into a date: "
            "format the column as a number and type it again"
        )
    unit = _WITH_UNIT.match(text)
    if unit:
        return _unit_fix(column, unit.group(1), unit.group(2))
    if re.search(r"\d", text):
        return "write the number alone, with a decimal point: 172.5"
    return "write a number, or leave the cell empty" if not column.required else "write a number"


def _range_fix(column: Column, value: float) -> str:
    if column.kind is int and isfinite(value) and value != int(value):
        return "write a whole number"
    for words, convert, unit in _CONVERSIONS.get(column.unit, []):
        converted = convert(value)
        if _fits(column, converted):
            return f"{words} ({converted:g} {unit})"
    if column.unit == "°" and _fits(column, value - 360):
        return f"count the angle from horizontal, up or down: is it {value - 360:g}?"
    if _fits(column, -value):
        return f"the sign may be wrong: is it {-value:g}?"
    scaled = [value / factor for factor in (10, 100, 1000) if _fits(column, value / factor)]
    if len(scaled) == 1 and column.kind is float:
        return f"a decimal sign may be missing: is it {scaled[0]:g}?"
    return "check the value; if it is right, the unit or the column may be wrong"


def _fits(column: Column, value: float) -> bool:
    low = column.low if column.low is not None else (0.0 if column.positive else None)
    above = low is None or (value > low if column.positive else value >= low)
    return above and (column.high is None or value <= column.high)


def _unit_fix(column: Column, number: str, unit: str) -> str:
    plain = re.sub(r"[·.\s]", "", unit.lower())
    amount = _as_number(number)
    own = re.sub(r"[·.\s°]", "", column.unit.lower())
    if plain.lstrip("°") == own or amount is None:
        return f"write the number alone, without the unit: {number.replace(',', '.')}"
    target, factor = _FOREIGN_UNITS.get(plain, ("", 0.0))
    if target == column.unit:
        return f"{number} {unit} is {amount * factor:.6g} {column.unit}: write that number alone"
    wanted = f", in {column.unit}" if column.unit else ""
    return f"write the number alone{wanted}, without the unit"


def _as_number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def _date_fix(text: str) -> str | None:
    turned = _DAY_FIRST.match(text)
    if turned:
        return _day_first_fix(turned)
    slashed = _SLASHED_YEAR.match(text)
    if slashed:
        written = _iso(int(slashed[1]), int(slashed[2]), int(slashed[3]))
        return f"write {written}" if written else "there is no such day in the calendar"
    if _SHEET_DAY.match(text):
        number = float(text.replace(",", "."))
        day = date(1899, 12, 30) + timedelta(days=int(number))
        return f"looks like a spreadsheet's day number: format it as a date ({day.isoformat()}?)"
    return None


def _day_first_fix(turned: re.Match[str]) -> str:
    first, second = int(turned[1]), int(turned[3])
    year = int(turned[4]) + (2000 if len(turned[4]) == 2 else 0)
    day_first, month_first = _iso(year, second, first), _iso(year, first, second)
    if day_first and month_first and first != second and turned[2] != ".":
        return (
            f"day and month cannot be told apart: write {day_first} or {month_first}, "
            "whichever is meant"
        )
    if day_first:
        return f"the date is day{turned[2]}month{turned[2]}year: write {day_first}"
    if month_first:
        return f"the date is month{turned[2]}day{turned[2]}year: write {month_first}"
    return "there is no such day in the calendar"


def _iso(year: int, month: int, day: int) -> str | None:
    try:
        return date(year, month, day).isoformat()
    except ValueError:
        return None


def _instant_fix(text: str, zone: str) -> str:
    if re.match(r"^(1899-12-3[01]|1900-01-0\d)[T ]|^\d{1,2}:\d{2}", text):
        return "a time of day without its date: write 2026-03-14T09:30"
    if re.match(r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}", text):
        return (
            f"there is no such time, or the clocks were put forward over it in {zone}: "
            "check it, or write it with its offset (2026-03-14T09:30+01:00)"
        )
    hint = _date_fix(text)
    if hint and hint.startswith("there is no"):
        return hint
    return f"{hint}, with T and the time after it" if hint else "write 2026-03-14T09:30"
