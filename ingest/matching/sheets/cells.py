"""What kind of thing a cell holds: a number with or without a unit, a day, a time, words."""

import re
from enum import Enum
from functools import lru_cache
from typing import NamedTuple

from ingest.matching.words import Unit, unit_named


class Kind(Enum):
    """The kind of a cell."""

    BLANK = "blank"
    NUMBER = "number"
    DAY = "day"
    TIME = "time"
    TEXT = "text"


class Amount(NamedTuple):
    """A number as it is written, and the unit beside it in the cell."""

    digits: str
    unit: Unit | None


_NUMBER = re.compile(
    r"^[~≈≃]?\s*(?P<digits>[+\-−–]?\s?(?:\d[\d.,'’ ]*\d|\d|[.,]\d+)(?:[eE][+-]?\d+)?)"
    r"\s*(?P<unit>[^\d\s(\[][^\d]{0,14})?$"
)
_DAY = re.compile(
    r"^(?:\w{2,10}\.?,?\s+)?(?:\d{4}[-./]\d{1,2}[-./]\d{1,2}|\d{1,2}[-./]\s?\d{1,2}[-./]\s?\d{2,4}"
    r"|\d{1,2}\.\s?\d{1,2}\.|(?:19|20)\d{6})(?:[T ,]+\d{1,2}[:.h]\d{2}.*)?$"
)
_NAMED_MONTH = re.compile(
    r"^(?:\w{2,10}\.?,?\s+)?(?:\d{1,2}(?:\.|st|nd|rd|th|er|º)?[\s\-./]*(?:de\s+)?[a-zäéûçA-Z]{3,10}\.?"
    r"(?:[\s\-.,/]*(?:de\s+)?\d{2,4})?|[A-Za-z]{3,9}\.?\s+\d{1,2}(?:st|nd|rd|th)?,?\s+\d{4})"
    r"(?:[T ,]+\d{1,2}[:.h]\d{2}.*)?$"
)
_WEEK = re.compile(
    r"^(?P<before>\d{4})?[-\s/]*(?:kw|wk?|week|woche|sem\.?|semaine|settimana|sett\.?|semana)"
    r"\s*\.?\s*(?P<week>\d{1,2})(?:[\s/\-]+(?P<behind>\d{4}|\d\d))?$",
    re.IGNORECASE,
)
_TIME = re.compile(
    r"^(?:1899-12-3[01][T ])?\d{1,2}[:h]\d{2}(?::\d{2}(?:\.\d+)?)?(?:\s*(?:uhr|h|am|pm))?$"
)
MONTHS: dict[str, int] = {
    name: number
    for number, names in enumerate(
        (
            "jan january januar jän jänner janvier janv gen gennaio ene enero januari",
            "feb february februar février fév févr febbraio febrero februari",
            "mar march märz mär mrz mars marzo maart mrt",
            "apr april avril avr aprile abr abril",
            "may mai maggio mag mayo mei",
            "jun june juni juin giugno giu junio",
            "jul july juli juillet juil luglio lug julio",
            "aug august août aou agosto ago augustus",
            "sep sept september septembre settembre set septiembre",
            "oct october oktober okt octobre ottobre ott octubre",
            "nov november novembre noviembre",
            "dec december dezember dez décembre déc dicembre dic diciembre",
        ),
        1,
    )
    for name in names.split()
}


@lru_cache(maxsize=50_000)
def amount_in(text: str) -> Amount | None:
    """Return the number that a cell holds, and the unit in it: `20,01 kg`; None if it is none."""
    found = _NUMBER.match(text)
    if not found:
        return None
    written = (found["unit"] or "").strip()
    unit = unit_named(written) if written else None
    if (written and unit is None) or re.match(r"[+\-]?0\d", found["digits"]):
        return None  # 01 may have been 0.1
    return Amount(found["digits"].replace("−", "-").replace("–", "-"), unit)


@lru_cache(maxsize=50_000)
def kind_of(text: str) -> Kind:
    """Return what kind of thing a trimmed cell holds."""
    if not text:
        return Kind.BLANK
    if not any(c.isdecimal() for c in text):
        return Kind.TEXT
    if _TIME.match(text.lower()):
        return Kind.TIME
    if _DAY.match(text) or _has_month(text) or week_in(text):
        return Kind.DAY
    return Kind.NUMBER if amount_in(text) else Kind.TEXT


class Week(NamedTuple):
    """A week of the calendar, counted as ISO 8601 does; year None: not written."""

    number: int
    year: int | None


def week_in(text: str) -> Week | None:
    """Return the week that a cell names: `KW 11/2026`, `2026-W11`; None if it is none."""
    found = _WEEK.match(text.strip())
    if not found or not 1 <= int(found["week"]) <= 53:
        return None
    year = found["before"] or found["behind"]
    return Week(int(found["week"]), int(year) + (2000 if len(year) == 2 else 0) if year else None)


def _has_month(text: str) -> bool:
    if not _NAMED_MONTH.match(text):
        return False
    return any(word in MONTHS for word in re.findall(r"[^\W\d_]+", text.lower()))


def is_value(text: str) -> bool:
    """Return whether a cell holds a number, a day or a time."""
    return kind_of(text) in (Kind.NUMBER, Kind.DAY, Kind.TIME)
