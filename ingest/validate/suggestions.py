"""Suggestions: what a cell that is not what its column expects was probably meant to be.

Each is data: what kind it is, what to type instead, and whether that is sure. It becomes words
once, by WORDS. Whatever is to be typed was put through the column's own check before.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from math import isfinite

import polars as pl

from ingest.readers import nearest
from ingest.schema import Column
from ingest.validate.cell_parsing import PLAIN, Style, plain_digits, typed
from ingest.validate.choice_words import meant
from ingest.validate.day_reading import DayRead, Orders, read_day, settled_day
from ingest.validate.units import converted, split_unit

WORDS: dict[str, str] = {
    "formula": "a formula of the spreadsheet failed here: mend it, or type the value",
    "no_value": 'this column needs a value, and "{found}" is none',
    "empty": "leave the cell empty where there is no value",
    "word": "write {value}",
    "near_word": "did you mean {value}?",
    "choice": "write one of: {choices}",
    "choice_or_teeth": "write large, small, or the number of teeth, 10 to 80",
    "yes_no": "write yes or no",
    "day": "write {value}",
    "day_likely": "is it {value}? Write it as year-month-day",
    "day_order": "day and month cannot be told apart: write {days}, whichever is meant",
    "far_day": "check the year: days from 1990 to 2099 are taken",
    "no_day": "there is no such day in the calendar",
    "day_form": "write the day as year-month-day (YYYY-MM-DD)",
    "instant_form": "write the day and the time as YYYY-MM-DDThh:mm",
    "no_date": "a time of day without its date: write both, as YYYY-MM-DDThh:mm",
    "no_instant": "there is no such time, or the clocks were put forward over it in {zone}: "
    "check it, or write it with its offset, as YYYY-MM-DDThh:mm+hh:mm",
    "made_a_date": "the spreadsheet turned the number into a date: format the column as a number "
    "and type it again",
    "unit": "{found} is {value} {unit}: write that number alone",
    "unit_either": "{found} is {either} {unit}: write the one that is meant",
    "unit_unknown": "write the number alone{in_unit}, without the unit",
    "scale": "looks like {other}: that is {value} {unit}",
    "turned": "count the angle from horizontal, up or down: is it {value}?",
    "sign": "the sign may be wrong: is it {value}?",
    "decimal": "a decimal sign may be missing: is it {value}?",
    "plain": "write the number alone: {value}",
    "plain_likely": "write the number alone: is it {value}?",
    "number_alone": "write the number alone, with a decimal point",
    "number": "write a number{or_empty}",
    "whole": "write a whole number",
    "check": "check the value; if it is right, the unit or the column may be wrong",
}
MISSING_WORDS = (
    *("-", "--", "—", "–", "n/a", "n.a.", "na", "none", "null", "nan", "nil", "k.a.", "?", "??"),
    *("x", "tbd", "."),
)
_DOUBTFUL_WORDS = ("x", ".", "?", "??", "tbd")  # a tick, a slip, or something to come
_FORMULA_ERROR = re.compile(r"^#(DIV/0!|N/A|NAME\?|NULL!|NUM!|REF!|VALUE!|SPILL!|CALC!)$")
_ISO_DAY = re.compile(r"^\d{4}-\d{2}-\d{2}")
_ISO_INSTANT = re.compile(r"^\d{4}-\d{2}-\d{2}[T ]\d{1,2}:\d{2}")
_NO_DATE = re.compile(r"^(1899-12-3[01]|1900-01-0\d)[T ]|^\d{1,2}:\d{2}")
_AROUND = re.compile(
    r"^(?:ca\.?|approx\.?|about|≈|~|=|±|\+/-|\+-)?\s*(.+?)\s*(?:\?|\*|approx\.?)?$"
)
_LIMIT = re.compile(r"^(±|\+/-|\+-|</?=?|≤)\s*(?=\d)")
# unit of the column: other units that people forget to convert from, in words.
_FORGOTTEN = {
    "mm": {"cm": "centimetres", "in": "inches", "m": "metres"},
    "kg": {"g": "grams"},
    "g": {"mg": "milligrams"},
    "°C": {"°F": "degrees Fahrenheit"},
    "m/s²": {"cm/s²": "cm/s²"},
    "N·m": {"N·mm": "newton millimetres"},
    "V": {"mV": "millivolts"},
    "s": {"ms": "milliseconds"},
}
_FRACTION = {"%": (100.0, "a fraction"), "W": (1e-3, "milliwatts")}


@dataclass(frozen=True)
class Suggestion:
    """What to do about a cell.

    kind    a name in WORDS
    value   what to type instead, "" for an empty cell; None: only a person can say
    sure    the cell can mean nothing else: it may be taken without asking
    said    the values that the words need besides, by name
    """

    kind: str
    value: str | None = None
    sure: bool = False
    said: tuple[tuple[str, str], ...] = ()

    def words(self) -> str:
        """Return what to do, in one sentence without its stop."""
        return WORDS[self.kind].format(value=self.value, **dict(self.said))


def suggest(
    column: Column, text: str, value: float | None, *, zone: str, orders: Orders | None = None
) -> Suggestion:
    """Return what to do about a cell that its column refuses.

    text     the cell as it stands
    value    the number that it was read as, None if it is no number
    orders   the order of day and month that the column's other cells prove
    """
    made = next(_made(column, text, value, zone=zone, orders=orders or {}))
    if made.value and not taken(column, made.value, zone=zone):
        return Suggestion("check")
    return made


def taken(column: Column, value: str, *, zone: str) -> bool:
    """Return whether a column takes a text cell."""
    cell = typed(column, pl.Series([value], dtype=pl.String), style=Style(), zone=zone)
    return cell[0] is not None


def plain_number(value: float, *, digits: int = 8) -> str:
    """Return a number so that it is read the same whatever sign a file has for decimals.

    1.725 is written 1.7250: three digits behind a point may be thousands.
    """
    text = f"{value:.{digits}g}"
    return f"{text}0" if re.fullmatch(r"-?\d{1,3}\.\d{3}", text) else text


def _made(
    column: Column, text: str, value: float | None, *, zone: str, orders: Orders
) -> Iterator[Suggestion]:
    """Yield suggestions, the best first; at least one."""
    if _FORMULA_ERROR.match(text):
        yield Suggestion("formula")
    if column.choices or column.kind is bool:
        yield from _choices(column, text)
    if text.lower() in MISSING_WORDS:
        yield _empty(column, text)
    if column.choices or column.kind is bool:
        yield _unknown_choice(column, text)
    if column.kind in (date, datetime):
        yield from _days(column, text, zone=zone, orders=orders)
    if value is not None:
        yield from _out_of_range(column, text, value)
    yield from _numbers(column, text)


def _empty(column: Column, text: str) -> Suggestion:
    if column.required:
        return Suggestion("no_value", said=(("found", text),))
    return Suggestion("empty", "", sure=text.lower() not in _DOUBTFUL_WORDS)


# --- words --------------------------------------------------------------------------------------


def _choices(column: Column, text: str) -> Iterator[Suggestion]:
    choice = meant(column, text)
    if choice:
        yield Suggestion("word", choice, sure=True)
    teeth = split_unit(text) if column.or_teeth else None
    if teeth and teeth[1] == "teeth":
        yield from (Suggestion("plain", n, sure=True) for n in [teeth[0]] if n.isdigit())


def _unknown_choice(column: Column, text: str) -> Suggestion:
    if column.kind is bool:
        return Suggestion("yes_no")
    close = nearest(text, column.choices)
    if close:
        return Suggestion("near_word", close)
    if column.or_teeth:
        return Suggestion("choice_or_teeth")
    return Suggestion("choice", said=(("choices", ", ".join(column.choices)),))


# --- days and instants --------------------------------------------------------------------------


def _days(column: Column, text: str, *, zone: str, orders: Orders) -> Iterator[Suggestion]:
    instant, read = column.kind is datetime, read_day(text)
    if instant and _NO_DATE.match(text):
        yield Suggestion("no_date")
    if instant and read and read.days and not read.clock and _ISO_INSTANT.match(text):
        yield Suggestion("no_instant", said=(("zone", zone),))
    if read is None:
        yield Suggestion("instant_form" if instant else "day_form")
    elif not read.days:
        yield Suggestion("no_day")
    else:
        yield from _day(column, read, zone=zone, orders=orders)


def _day(column: Column, read: DayRead, *, zone: str, orders: Orders) -> Iterator[Suggestion]:
    behind = f"T{read.clock}" if read.clock and column.kind is datetime else ""
    settled = settled_day(read, orders)
    likely = settled or (read.days[0] if read.sign == "." else None)
    if likely is None:
        days = " or ".join(f"{day.isoformat()}{behind}" for day in read.days)
        yield Suggestion("day_order", said=(("days", days),))
    else:
        value = f"{likely.isoformat()}{behind}"
        if not taken(column, value, zone=zone):
            yield Suggestion("no_instant" if behind else "far_day", said=(("zone", zone),))
        sure = settled is not None and not read.doubt
        yield Suggestion("day" if sure else "day_likely", value, sure)


# --- numbers ------------------------------------------------------------------------------------


def _out_of_range(column: Column, text: str, value: float) -> Iterator[Suggestion]:
    """Yield what a number was meant to be that its column does not take."""
    if not isfinite(value):
        yield Suggestion("check")
    if len(found := _readings(text, column)) == 1:  # 20,010 is no twenty thousand here
        yield Suggestion("plain", plain_number(found[0]), sure=True)
    if column.kind is int and value != int(value):
        yield Suggestion("whole")
    for other, words in _FORGOTTEN.get(column.unit, {}).items():
        yield from _scaled(column, converted(value, other, column.unit), words)
    factor, words = _FRACTION.get(column.unit, (1.0, ""))
    yield from _scaled(column, value * factor, words)
    if column.unit == "°" and _fits(column, value - 360):
        yield Suggestion("turned", plain_number(value - 360))
    if _fits(column, -value):
        yield Suggestion("sign", plain_number(-value))
    scaled = [value / factor for factor in (10, 100, 1000) if _fits(column, value / factor)]
    if len(scaled) == 1 and column.kind is float:
        yield Suggestion("decimal", plain_number(scaled[0]))
    yield Suggestion("check")


def _scaled(column: Column, value: float | None, other: str) -> Iterator[Suggestion]:
    if value is not None and _fits(column, value):
        said = (("unit", column.unit), ("other", other))
        yield Suggestion("scale", plain_number(value), said=said)


def _numbers(column: Column, text: str) -> Iterator[Suggestion]:
    """Yield what to write for a cell that is no number."""
    if _ISO_DAY.match(text):
        yield Suggestion("made_a_date")
    limit = _LIMIT.match(text) if "tolerance" in column.name or "accuracy" in column.name else None
    bare = text[limit.end() :] if limit else text
    if limit and len(found := _readings(bare, column)) == 1:
        yield Suggestion("plain", plain_number(found[0]), sure=limit[1][0] not in "<≤")
    parts = split_unit(bare)
    if parts:
        yield from _with_unit(column, text, *parts)
    around = _AROUND.match(text)
    if around and around[1] != text and len(found := _readings(around[1], column)) == 1:
        yield Suggestion("plain_likely", plain_number(found[0]))
    if parts and column.unit:
        yield Suggestion("unit_unknown", said=(("in_unit", f", in {column.unit}"),))
    if re.search(r"\d", text):
        yield Suggestion("number_alone")
    or_empty = "" if column.required else ", or leave the cell empty"
    yield Suggestion("number", said=(("or_empty", or_empty),))


def _with_unit(column: Column, text: str, number: str, unit: str) -> Iterator[Suggestion]:
    """Yield what a number with a unit behind it is in the column's own unit."""
    said = (("found", text), ("unit", column.unit))
    tries = [converted(reading, unit, column.unit) for reading in _amounts(number) if unit]
    found = [amount for amount in tries if amount is not None and _fits(column, amount)]
    if len(found) == 1:
        yield Suggestion("unit", plain_number(found[0]), sure=True, said=said)
    elif found:
        either = " or ".join(plain_number(amount) for amount in found)
        yield Suggestion("unit_either", said=(*said, ("either", either)))
    degrees = column.unit == "°C" and unit == "°"
    money = not column.unit and not unit and column.kind is float
    if (degrees or money) and len(alone := _readings(number, column)) == 1:
        yield Suggestion("plain_likely", plain_number(alone[0]))


def _readings(text: str, column: Column) -> list[float]:
    """Return the numbers in a column's range that a text can mean."""
    return [amount for amount in _amounts(text) if _fits(column, amount)]


@cache
def _amounts(text: str) -> tuple[float, ...]:
    """Return every number that a text can mean: 1,234 with a decimal comma, or with thousands."""
    plain = plain_digits(pl.Series([text.strip()]))[0]
    no_commas, pointed = plain.replace(",", ""), plain.replace(".", "").replace(",", ".")
    tries: Iterable[str] = (plain,)
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", plain):
        tries = (pointed, no_commas)
    elif re.fullmatch(r"[+-]?[1-9]\d{0,2}\.\d{3}", plain):
        tries = (plain, plain.replace(".", ""))
    elif re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?", plain):
        tries = (no_commas,)
    elif re.fullmatch(r"[+-]?(\d*|\d{1,3}(\.\d{3})+),\d+|[+-]?\d{1,3}(\.\d{3}){2,}", plain):
        tries = (pointed,)
    return tuple(float(one) for one in tries if re.fullmatch(PLAIN, one) and isfinite(float(one)))


def _fits(column: Column, value: float) -> bool:
    if column.kind is int and value != int(value):
        return False
    low = column.low if column.low is not None else (0.0 if column.positive else None)
    above = low is None or (value > low if column.positive else value >= low)
    return above and (column.high is None or value <= column.high)
