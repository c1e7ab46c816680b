"""Days and times as workshops write them: 14.3.26, 03/04/25, 14. März 2026, 46095, 9h30."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

from ingest.matching.sheets import MONTHS, week_in

DAY_FIRST, MONTH_FIRST = "day_month_year", "month_day_year"
YEAR_FIRST = "year_month_day"
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
ORDERS = (DAY_FIRST, MONTH_FIRST, YEAR_FIRST)
FIRST_YEAR, LAST_YEAR = 2000, 2099
EARLIEST_SHORT_YEAR = 15  # 14-03-26 is no day of the year 2014: nothing here is that old
SERIALS = (36526, 73050)  # 2000-01-01 to 2099-12-31 as spreadsheets count days
_EPOCH = date(1899, 12, 30)
_CLOCK = re.compile(
    r"[T ,]*(?:(?<=[T ,])|^)(\d{1,2})\s?[:.h]\s?(\d{2})(?:[:.](\d{2})(?:[.,]\d+)?)?"
    r"\s*(am|pm|uhr|h)?\s*$",
    re.IGNORECASE,
)
_ISO = re.compile(r"^(\d{4})[-./](\d{1,2})[-./](\d{1,2})$")
_BASIC = re.compile(r"^((?:19|20)\d{2})(\d{2})(\d{2})$")
_THREE = re.compile(r"^(\d{1,2})([-./])\s?(\d{1,2})\2\s?(\d{4}|\d{2})$")
_TWO = re.compile(r"^(\d{1,2})\.\s?(\d{1,2})\.$")
_SERIAL = re.compile(r"^(\d{5})(?:[.,](\d+))?$")
_WEEKDAY = re.compile(r"^[^\W\d]{2,10}\.?,?\s+(?=\d)")


@dataclass(frozen=True)
class Written:
    """A day as written. options: what it can be, by the order of its parts; equal where certain."""

    options: dict[str, date]
    dotted: bool = False
    clock: str | None = None

    @property
    def certain(self) -> bool:
        """Whether it is the same day in every order."""
        return len(self.options) == len(ORDERS) and len(set(self.options.values())) == 1


@dataclass(frozen=True)
class Days:
    """A column of days: ISO text of each cell, None where it is no day.

    open   day and month cannot be told apart in the sheet
    weeks  they are weeks, and nobody said which day of them
    """

    texts: list[str | None]
    open: bool = False
    order: str | None = None
    lacks_year: bool = False
    weeks: bool = False


def read_days(
    cells: Sequence[str],
    *,
    order: str | None = None,
    year: int | None = None,
    weekday: str | None = None,
) -> Days:
    """Return a column of days, in one order of day and month for all cells.

    order   what a person said it is; else the cells must tell
    year    of days that are written without one
    weekday on which it was, where the cells name weeks
    """
    if any(week_in(cell) for cell in cells if cell):
        return _read_weeks(cells, year, weekday)
    written = [written_day(cell, year) if cell else None for cell in cells]
    told = order or told_order(w for w in written if w)
    lacks = year is None and any(_TWO.match(cell.strip()) for cell in cells if cell)
    if told is None:
        return Days([None] * len(cells), open=True, lacks_year=lacks)
    return Days([_text(w, told) for w in written], order=told, lacks_year=lacks)


def _read_weeks(cells: Sequence[str], year: int | None, weekday: str | None) -> Days:
    """Return weeks as the named day of each; a cell that is no week is none."""
    weeks = [week_in(cell) if cell else None for cell in cells]
    lacks = year is None and any(week and week.year is None for week in weeks)
    if weekday not in WEEKDAYS or lacks:
        return Days([None] * len(cells), lacks_year=lacks, weeks=weekday not in WEEKDAYS)
    place = WEEKDAYS.index(weekday) + 1
    return Days(
        [_of_week(week.year or year, week.number, place) if week else None for week in weeks]
    )


def _of_week(year: int | None, number: int, place: int) -> str | None:
    try:
        return date.fromisocalendar(year or 0, number, place).isoformat()
    except ValueError:
        return None


def told_order(written: Iterable[Written]) -> str | None:
    """Return the order that the cells themselves tell; None where they leave it open."""
    unsure = [w for w in written if not w.certain]
    if not unsure:
        return DAY_FIRST
    if all(w.dotted for w in unsure):
        only_month_first = sum(set(w.options) == {MONTH_FIRST} for w in unsure)
        only_day_first = sum(set(w.options) == {DAY_FIRST} for w in unsure)
        if only_day_first >= 4 * only_month_first:
            return DAY_FIRST
    possible = [order for order in ORDERS if all(order in w.options for w in unsure)]
    if YEAR_FIRST in possible and len(possible) > 1 and len(unsure) > 2:
        years = {order: {w.options[order].year for w in unsure} for order in possible}
        few = [order for order in possible if len(years[order]) == 1]
        possible = few if len(few) == 1 else possible
    return possible[0] if len(possible) == 1 else None


def _text(written: Written | None, order: str) -> str | None:
    day = written.options.get(order) if written else None
    if written is None or day is None:
        return None
    return day.isoformat() + (f"T{written.clock}" if written.clock else "")


@lru_cache(maxsize=50_000)
def written_day(cell: str, year: int | None = None) -> Written | None:
    """Return what days a cell can stand for; None if none."""
    text = _WEEKDAY.sub("", cell.strip()) if not _named(cell) else cell.strip()
    clock = None
    found = _CLOCK.search(text)
    if found and found.start() > 3:
        clock, text = clock_text(found.group(0)), text[: found.start()].rstrip(", T")
        if clock is None:
            return None
        clock = None if clock == "00:00" else clock
    for pattern in (_ISO, _BASIC):
        match = pattern.match(text)
        if match:
            return _sure(_day(*(int(part) for part in match.groups())), clock)
    three = _THREE.match(text)
    if three:
        return _three(three, clock)
    two = _TWO.match(text)
    if two:
        return _sure(_day(year, int(two[2]), int(two[1])) if year else None, clock)
    serial = _SERIAL.match(text)
    if serial and SERIALS[0] <= int(serial[1]) <= SERIALS[1]:
        return _sure(_EPOCH + timedelta(days=int(serial[1])), _part_of_day(serial[2]))
    return _sure(_month_named(text, year), clock)


def _three(match: re.Match[str], clock: str | None) -> Written | None:
    first, second = int(match[1]), int(match[3])
    year = int(match[4]) + (2000 if len(match[4]) == 2 else 0)
    options = {DAY_FIRST: _day(year, second, first), MONTH_FIRST: _day(year, first, second)}
    if len(match[4]) == 2 and match[2] != "." and first >= EARLIEST_SHORT_YEAR:
        options[YEAR_FIRST] = _day(2000 + first, second, int(match[4]))
    known = {order: day for order, day in options.items() if day}
    return Written(known, dotted=match[2] == ".", clock=clock) if known else None


def _sure(day: date | None, clock: str | None) -> Written | None:
    return Written(dict.fromkeys(ORDERS, day), clock=clock) if day else None


def _day(year: int, month: int, day: int) -> date | None:
    if not FIRST_YEAR <= year <= LAST_YEAR:
        return None
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _named(cell: str) -> list[int]:
    return [MONTHS[w] for w in re.findall(r"[^\W\d_]+", cell.lower()) if w in MONTHS]


def _month_named(text: str, year: int | None) -> date | None:
    months = _named(text)
    numbers = [int(n) for n in re.findall(r"\d+", text)]
    if len(months) != 1 or not 1 <= len(numbers) <= 2:
        return None
    if len(numbers) == 1:
        return _day(year, months[0], numbers[0]) if year else None
    day, in_year = numbers
    return _day(in_year + (2000 if in_year < 100 else 0), months[0], day)


def _part_of_day(digits: str | None) -> str | None:
    if not digits:
        return None
    minutes = round(float(f"0.{digits}") * 1440)
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}" if minutes else None


def clock_text(cell: str) -> str | None:
    """Return a time of day as `09:30` or `09:30:15`; None if the cell holds none."""
    text = re.sub(r"^1899-12-3[01][T ]", "", cell.strip())
    if re.fullmatch(r"0?[.,]\d+", text):
        return _part_of_day(text.lstrip("0").lstrip(".,"))
    found = _CLOCK.search(f" {text.lstrip('T ,')}")
    if not found:
        return None
    hours, minutes = int(found[1]), int(found[2])
    half = (found[4] or "").lower()
    if half in ("am", "pm"):
        hours = hours % 12 + (12 if half == "pm" else 0)
    if hours > 23 or minutes > 59 or int(found[3] or 0) > 59:
        return None
    return f"{hours:02d}:{minutes:02d}" + (f":{found[3]}" if int(found[3] or 0) else "")


def seconds_of(cell: str) -> float | None:
    """Return a duration written as hh:mm:ss or mm:ss, in seconds; None if it is none."""
    parts = re.sub(r"^1899-12-3[01][T ]", "", cell.strip()).split(":")
    if not 2 <= len(parts) <= 3 or not all(re.fullmatch(r"\d+(?:\.\d+)?", p) for p in parts):
        return None
    total = 0.0
    for part in parts:
        total = total * 60 + float(part)
    return total


def years_named(texts: Iterable[str]) -> set[int]:
    """Return the years that lines of words name: `Kalibrierungen 2026`."""
    found = (re.findall(r"(?<!\d)(20[0-4]\d)(?!\d)", text) for text in texts)
    return {int(year) for years in found for year in years}
