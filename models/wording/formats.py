"""How values are written in sentences: the formats that a template may name.

The browser has the same formats under the same names (assets/bench/words.js), as far as the
templates need them that travel there. A number that rounds to zero carries no sign.
"""

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from functools import partial
from typing import Any

from ingest.schema import plural

_EVENT_NAMES = {"work": "work at the bench", "side_service": "service of one side"}
MINUS = "\u2212"
NOUNS = ("row", "file", "event", "meter")


def fixed(value: float, digits: int) -> str:
    """Return a number with `digits` decimals and a true minus sign."""
    text = f"{abs(value):.{digits}f}"
    return MINUS + text if value < 0 and float(text) else text


def signed(value: float, digits: int = 0) -> str:
    """Return a number with `digits` decimals and its sign; zero has none."""
    text = fixed(value, digits)
    return f"+{text}" if value > 0 and float(text) else text


def plain(value: float) -> str:
    """Return a number as it would be typed: up to six significant digits, no padding."""
    return f"{value:g}".replace("-", MINUS)


def slope_text(value: float, step: float | None) -> str:
    """Return a slope at the meter's step, 5.40 as 5.40; one that is no multiple as it is."""
    if not step:
        return plain(value)
    digits = max(-int(Decimal(f"{step:.10g}").normalize().as_tuple().exponent), 0)
    text = fixed(value, digits)
    return text if abs(round(value, digits) - value) < 1e-6 * step else plain(value)


def day(value: date) -> str:
    """Return a day as 2026-03-04; pages write the month in words (theme.prose)."""
    return value.isoformat()


def chance(p: float) -> str:
    """Return a probability as "84 %", "over 99 %" or "under 1 %"."""
    if p < 0.01:
        return "under 1 %"
    return "over 99 %" if p > 0.99 else whole_percent(p)


def share(value: float) -> str:
    """Return a fraction, of days or meters, as "1.4 %"."""
    return f"{fixed(100 * value, 1)} %"


def whole_percent(value: float) -> str:
    """Return a fraction in whole percent."""
    return f"{fixed(100 * value, 0)} %"


def span(seconds: float) -> str:
    """Return a length of time in the unit that suits it: 90 s, 25 min, 3.0 h, 4 days."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 2 * 3600:
        return f"{seconds / 60:.0f} min"
    if seconds < 48 * 3600:
        return f"{seconds / 3600:.1f} h"
    return f"{seconds / 86_400:.0f} days"


def _then(value: object) -> str:
    values = value if isinstance(value, tuple) else () if value is None else (value,)
    return "".join(f" {one}" for one in values)


def in_days(days: int) -> str:
    """Return how far off a day is that is not past: today, tomorrow, in 2 days."""
    return ("today", "tomorrow")[days] if days < 2 else f"in {days} days"


def name(value: str) -> str:
    """Return a name of the data contract as a person reads it: battery_swap, battery swap."""
    return _EVENT_NAMES.get(value, value.replace("_", " "))


FORMATS: dict[str, Callable[[Any], str]] = {
    "": str,
    **{f"fixed{n}": partial(fixed, digits=n) for n in range(4)},
    **{f"signed{n}": partial(signed, digits=n) for n in range(4)},
    "size1": lambda value: fixed(abs(value), 1),
    "size2": lambda value: fixed(abs(value), 2),
    "plain": plain,
    "known": lambda value: "unknown" if value is None else plain(value),
    "day": day,
    "span": span,
    "in_days": in_days,
    "chance": chance,
    "whole_percent": whole_percent,
    "high_or_low": lambda value: "high" if value > 0 else "low",
    "more_or_less": lambda value: "more" if value > 0 else "less",
    "higher_or_lower": lambda value: "higher" if value > 0 else "lower",
    "loses_or_gains": lambda value: "gains" if value > 0 else "loses",
    **{f"n_{noun}": partial(plural, noun=noun) for noun in NOUNS},  # 1 row
    "name": name,
    "names": lambda values: ", ".join(map(name, values)),
    "optional": lambda value: "" if value is None else str(value),
    "bracketed": lambda value: "" if value is None else f" ({value})",
    "then": _then,
    "stated": lambda value: "" if value is None else f" {value}.",
    "joined": lambda values: " ".join(map(str, values)),
    "listed": lambda values: ", ".join(map(str, values)),
    "anded": lambda values: " and ".join(map(str, values)),
}
"""By name; without one: `str`. optional, bracketed (in brackets, a space before), then (a space
before each) and stated (as a sentence, a space before) write nothing of None; joined, listed, anded
and names take several values."""
