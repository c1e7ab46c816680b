"""Colours, status words and how numbers are written; the one place for each of them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import date, datetime

# One name a role, one value a theme. Text roles keep a contrast of at least 4.5 : 1 on
# `paper` and `surface`, marks one of 3 : 1 (tests/dashboard/test_theme.py computes them).
LIGHT: dict[str, str] = {
    "paper": "#f3f4f0",
    "surface": "#fdfdfb",
    "sunken": "#e9ebe4",
    "ink": "#1d2b2f",
    "muted": "#51606a",
    "rule": "#cfd4cc",
    "rule_strong": "#7c8782",
    "accent": "#125a63",
    "accent_ink": "#fbfdfc",
    "accent_soft": "#dcebea",
    "focus": "#b4430f",
    "out": "#a02f1f",
    "out_soft": "#f6e0da",
    "due": "#7d4f00",
    "due_soft": "#f6e8cb",
    "soon": "#4d4f93",
    "soon_soft": "#e5e5f3",
    "ok": "#2c6346",
    "ok_soft": "#dfebe1",
    "unknown": "#59636b",
    "unknown_soft": "#e6e8e8",
    "band": "rgba(18,90,99,0.17)",
    "band_ahead": "rgba(18,90,99,0.09)",
    "beyond": "rgba(160,47,31,0.055)",
    "comparison": "#8a6a3c",
    "event": "#5f4b86",
}
DARK: dict[str, str] = {
    "paper": "#11191c",
    "surface": "#182226",
    "sunken": "#0c1315",
    "ink": "#e4eae8",
    "muted": "#a3b2b3",
    "rule": "#314046",
    "rule_strong": "#7e9096",
    "accent": "#7cc9cc",
    "accent_ink": "#0c1719",
    "accent_soft": "#1f3a3e",
    "focus": "#ffb27d",
    "out": "#ff9d87",
    "out_soft": "#47241e",
    "due": "#efc26c",
    "due_soft": "#3f3117",
    "soon": "#b9bbf2",
    "soon_soft": "#2c2e4c",
    "ok": "#8ccfa6",
    "ok_soft": "#1e3a2b",
    "unknown": "#b0bbc0",
    "unknown_soft": "#2b363b",
    "band": "rgba(124,201,204,0.22)",
    "band_ahead": "rgba(124,201,204,0.11)",
    "beyond": "rgba(255,157,135,0.075)",
    "comparison": "#d3b27d",
    "event": "#c3aeea",
}


@dataclass(frozen=True)
class Status:
    """How one status is shown: its word, its glyph's name, and what it means."""

    word: str
    meaning: str


# In the order of urgency; a status is always shown with its word and its own glyph.
STATUSES: dict[str, Status] = {
    "out": Status("Out", "more likely outside tolerance than inside"),
    "due": Status("Due", "no longer sure enough to be within tolerance"),
    "soon": Status("Soon", "due within 28 days"),
    "unknown": Status("Unknown", "no bench session to go by"),
    "ok": Status("OK", "within tolerance, and sure of it"),
}

VERDICTS = {
    "in_tolerance": "In tolerance",
    "out_of_tolerance": "Out of tolerance",
    "indeterminate": "Too close to the limit to call",
}
ADVICE = {
    "leave": "Leave the slope alone",
    "repeat": "Repeat the readings",
    "reset": "Reset the slope",
    "fix_setting": "Put a setting right",
    "send_away": "Send it to service",
}
Z90 = 1.6449  # 95 % quantile of the standard normal
MINUS = "\u2212"
NBSP = "\u00a0"
DASH = "\u2013"
MISSING = "\u2014"


# On paper: the light theme's marks, in black on white, whatever the screen shows.
PAPER: dict[str, str] = LIGHT | {"paper": "#ffffff", "surface": "#ffffff", "ink": "#000000"}


def css_variables() -> str:
    """The style sheet of both themes' colours; the reader's choice beats the system's."""
    light, dark = _declarations(LIGHT, "light"), _declarations(DARK, "dark")
    return (
        f":root{{{light}}}\n"
        f"@media (prefers-color-scheme:dark){{:root:not([data-theme=light]){{{dark}}}}}\n"
        f":root[data-theme=dark]{{{dark}}}\n"
        f"@media print{{:root:root:root{{{_declarations(PAPER, 'light')}}}}}\n"
    )


def _declarations(palette: dict[str, str], scheme: str) -> str:
    names = (f"--{name.replace('_', '-')}:{value};" for name, value in palette.items())
    return f"color-scheme:{scheme};" + "".join(names)


def is_number(value: object) -> bool:
    """True for a finite number; booleans are none."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return math.isfinite(value)


def number(value: float | None, digits: int = 2, *, signed: bool = False) -> str:
    """A number with a true minus sign; a dash when there is none.

    A value that rounds to zero carries no sign.
    """
    if value is None or not is_number(value):
        return MISSING
    text = f"{abs(value):,.{digits}f}".replace(",", NBSP)
    if not any(c in "123456789" for c in text):
        return text
    return (MINUS if value < 0 else "+" if signed else "") + text


def percent(value: float | None, digits: int = 2, *, signed: bool = True) -> str:
    """A value in percent with its sign and unit."""
    text = number(value, digits, signed=signed)
    return text if text == MISSING else f"{text}{NBSP}%"


def plus_minus(value: float | None, half: float | None, unit: str, digits: int = 2) -> str:
    """Value ± half-width with one unit behind both."""
    if value is None or not is_number(value):
        return MISSING
    tail = f" ±{NBSP}{number(half, digits)}" if half is not None and is_number(half) else ""
    return f"{number(value, digits, signed=True)}{tail}{NBSP}{unit}"


def half(interval: list[float] | None) -> float | None:
    """Half the width of an interval; None without one."""
    if not interval or not all(is_number(end) for end in interval):
        return None
    return (interval[1] - interval[0]) / 2


def half90(sd: float | None) -> float | None:
    """Half the width of the 90 % interval of a normal error with this standard deviation."""
    return Z90 * sd if sd is not None and is_number(sd) else None


def span(interval: list[float] | None, digits: int = 2, unit: str = "%") -> str:
    """An interval in words: +1.21 to +2.67 %."""
    if not interval or not all(is_number(end) for end in interval):
        return MISSING
    low, high = (number(end, digits, signed=True) for end in interval)
    return f"{low} to {high}{NBSP}{unit}"


def probability(value: float | None) -> str:
    """A probability in whole percent; never a rounded 0 or 100 %."""
    if value is None or not is_number(value):
        return MISSING
    if value < 0.01:
        return f"<{NBSP}1{NBSP}%"
    if value > 0.99:
        return f">{NBSP}99{NBSP}%"
    return f"{min(99, max(1, round(100 * value)))}{NBSP}%"


def significant(value: float | None, digits: int = 6) -> str:
    """A programmed slope as a head unit shows it: up to six digits, as on paper, no padding."""
    if value is None or not is_number(value):
        return MISSING
    return f"{value:.{digits}g}".replace("-", MINUS)


def day(value: object) -> str:
    """A date as 4 Mar 2026; a dash when there is none."""
    found = as_date(value)
    return MISSING if found is None else f"{found.day}{NBSP}{found:%b}{NBSP}{found.year}"


def as_date(value: object) -> date | None:
    """The calendar day of an ISO text, a date or an instant; None when it is none."""
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(str(value)[:10])
    except ValueError:
        return None


def iso(value: object) -> str | None:
    """The calendar day as ISO text; None when there is none."""
    found = as_date(value)
    return found.isoformat() if found else None


def away(value: object, today: object) -> str:
    """How far a day is from today, in words: in 12 days, 3 weeks ago."""
    then, now = as_date(value), as_date(today)
    if then is None or now is None:
        return ""
    days = (then - now).days
    if days == 0:
        return "today"
    count = _rough(abs(days))
    return f"in {count}" if days > 0 else f"{count} ago"


def _rough(days: int) -> str:
    for unit, length, until in (("day", 1, 21), ("week", 7, 70), ("month", 30.44, 730)):
        if days < until:
            return plural(round(days / length), unit)
    return plural(round(days / 365.25), "year")


def plural(count: int, noun: str) -> str:
    """Count and noun: 1 meter, 3 meters, 2 batteries."""
    if count == 1:
        return f"1 {noun}"
    return f"{count} {noun[:-1]}ies" if noun.endswith("ry") else f"{count} {noun}s"


def prose(text: object) -> str:
    """A sentence of the models as a page shows it: dates in words, true minus signs."""
    said = re.sub(r"(?<![\w-])\d{4}-\d{2}-\d{2}(?![\w-])", _day_in_prose, str(text or ""))
    said = re.sub(r"(?<![\w.,\-–−])-(?=\d)", MINUS, said)
    return re.sub(r"(?<=\d) %", f"{NBSP}%", said)


def _day_in_prose(found: re.Match[str]) -> str:
    return day(found[0]) if as_date(found[0]) else found[0]


def sentence(text: object) -> str:
    """The same with a capital first and a stop last."""
    said = prose(text).strip()
    if not said:
        return ""
    return said[0].upper() + said[1:] + ("" if said.endswith((".", "?", "!")) else ".")


def words(name: object) -> str:
    """A name of the data contract as a person reads it: crank_spider, crank spider."""
    text = str(name or "").replace("_", " ").strip()
    return text or MISSING
