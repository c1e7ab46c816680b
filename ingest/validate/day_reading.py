"""Days as people write them, 14.3.26 or March 14, 2026, and every day each of them can mean."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal

from ingest.validate.cell_parsing import FIRST_DAY, LAST_DAY

Order = Literal["day first", "month first"]
Orders = dict[str, Order]  # by the sign between day, month and year

_NUMBERS = re.compile(r"^(\d{1,4})\s?([./\-])\s?(\d{1,2})\s?\2\s?(\d{4}|\d{1,2})(?!\d)(.*)$")
_DAY_NAMED = re.compile(
    r"^(\d{1,2})(?:st|nd|rd|th)?[.\s/\-]*([^\W\d_]{3,})[.\s/,\-]*(\d{4}|\d\d)(.*)$"
)
_MONTH_FIRST = re.compile(r"^([^\W\d_]{3,})[.\s\-]*(\d{1,2})(?:st|nd|rd|th)?[,.\s\-]+(\d{4})(.*)$")
_YEAR_FIRST = re.compile(r"^(\d{4})[\s./\-]*([^\W\d_]{3,})[.\s/\-]*(\d{1,2})(?!\d)(.*)$")
_WEEKDAY = re.compile(r"^[^\W\d_]{2,10}[.,]+\s*(?=\d)")
_SHEET_DAY = re.compile(r"^(\d{5})(?:[.,](\d+))?$")
_TIME = re.compile(
    r"^[\sT,]*(\d{1,2})(?:[:.](\d{2}))?(?:[:.](\d{2}))?\s*(am|pm|a\.m\.|p\.m\.|uhr|h)?$", re.I
)
# The first letters of a month in English, German, French, Italian, Spanish and Dutch.
_MONTHS = (
    "jan jän gen ene",
    "feb fév fev",
    "mar mär mrt maa",
    "apr avr abr",
    "may mai mag mei",
    "jun juin giu",
    "jul juil lug",
    "aug aoû aou ago",
    "sep set",
    "oct okt ott",
    "nov",
    "dec dez déc dic",
)
_MONTH_OF = {start: n for n, said in enumerate(_MONTHS, start=1) for start in said.split()}


@dataclass(frozen=True)
class DayRead:
    """A cell that holds a day.

    days     every day that it can mean, the likeliest first; none: there is no such day
    clock    the time of day behind it, as 09:30 or 09:30:15
    doubt    the year may be meant otherwise, or something stands there besides
    sign     what stands between day, month and year
    """

    days: tuple[date, ...]
    clock: str | None = None
    doubt: bool = False
    sign: str = ""


def read_day(text: str) -> DayRead | None:
    """Return what a cell means as a day; None where none is written there."""
    said = _WEEKDAY.sub("", text.strip())
    if found := _NUMBERS.match(said):
        return _numbers(found)
    for pattern, places in (
        (_DAY_NAMED, (3, 2, 1)),
        (_MONTH_FIRST, (3, 1, 2)),
        (_YEAR_FIRST, (1, 2, 3)),
    ):
        if found := pattern.match(said):
            year, month, day = (found[place] for place in places)
            number = _month(month)
            days = _days((_year(year), number, int(day))) if number else ()
            return _with_rest(days, found[4]) if number else None
    if found := _SHEET_DAY.match(said):
        return _sheet_day(float(f"{found[1]}.{found[2] or 0}"))
    return None


def orders_in(texts: Iterable[str | None]) -> Orders:
    """Return the order of day and month that a column's own cells prove, by the sign between.

    One cell such as 14/3/2026 proves it, unless another proves the other order.
    """
    proved: dict[str, set[Order]] = {}
    for text in texts:
        found = _NUMBERS.match(_WEEKDAY.sub("", (text or "").strip()))
        if found and len(found[1]) <= 2:
            first, second = int(found[1]), int(found[3])
            if (first > 12) != (second > 12):
                order: Order = "day first" if first > 12 else "month first"
                proved.setdefault(found[2], set()).add(order)
    return {sign: order for sign, orders in proved.items() if len(orders) == 1 for order in orders}


def settled_day(read: DayRead, orders: Orders) -> date | None:
    """Return the one day that is meant; None where the cell and its column leave it open."""
    if len(read.days) == 1:
        return read.days[0]
    order = orders.get(read.sign)
    return None if order is None or not read.days else read.days[0 if order == "day first" else 1]


def _numbers(found: re.Match[str]) -> DayRead:
    first, second, third = int(found[1]), int(found[3]), int(found[4])
    if len(found[1]) >= 3:
        days = _days((first, second, third)) if len(found[1]) == 4 and len(found[4]) <= 2 else ()
        return _with_rest(days, found[5], sign=found[2])
    year = _year(found[4])
    days = _days((year, second, first), (year, first, second))
    short = found[2] == "-" and len(found[4]) <= 2  # 26-03-14 may begin with its year
    return _with_rest(days, found[5], sign=found[2], doubt=short or len(found[4]) == 1)


def _with_rest(
    days: tuple[date, ...], rest: str, *, sign: str = "", doubt: bool = False
) -> DayRead:
    if not rest.strip(" ,."):
        return DayRead(days, None, doubt, sign)
    clock = _clock(rest)
    return DayRead(days, clock, doubt or clock is None, sign)


def _clock(text: str) -> str | None:
    found = _TIME.match(text.strip())
    if not found or not (found[2] or found[4]):
        return None
    hour, half = int(found[1]), (found[4] or "").lower()[:1]
    if half in ("a", "p"):
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "p" else 0)
    minute, second = int(found[2] or 0), int(found[3] or 0)
    if hour > 23 or minute > 59 or second > 59:
        return None
    return f"{hour:02}:{minute:02}" + (f":{second:02}" if found[3] else "")


def _sheet_day(number: float) -> DayRead:
    """Return the day that a spreadsheet counts from 1899-12-30; some count from another one."""
    at = datetime(1899, 12, 30) + timedelta(minutes=round(number * 1440))
    days = (at.date(),) if FIRST_DAY <= at.date() <= LAST_DAY else ()
    return DayRead(days, f"{at:%H:%M}" if number % 1 else None, doubt=True)


def _year(text: str) -> int:
    year = int(text)
    return year if len(text) == 4 else year + (1900 if year >= 90 else 2000)


def _month(text: str) -> int | None:
    word = text.lower()
    return _MONTH_OF.get(word[:4]) or _MONTH_OF.get(word[:3])


def _days(*parts: tuple[int, int, int]) -> tuple[date, ...]:
    """Return the days of the calendar among (year, month, day), each once."""
    found = []
    for year, month, day in parts:
        try:
            found.append(date(year, month, day))
        except ValueError:
            continue
    return tuple(dict.fromkeys(found))
