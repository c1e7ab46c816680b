"""How numbers, units, money and intervals are written on pages, in PDF and by commands.

Every function returns MISSING, a long dash, where there is no number. A number keeps its sign,
its unit and its digits on one line.
"""

import math
from collections.abc import Mapping, Sequence
from decimal import Decimal

from ingest.schema import plural as plural

Z90 = 1.6449  # 95 % quantile of the standard normal
MINUS = "\u2212"
NBSP = "\u00a0"
DASH = "\u2013"
MISSING = "\u2014"
MIDDLE = "\u00b7"
Interval = Sequence[float | None]


def is_number(value: object) -> bool:
    """Return whether the value is a finite number; booleans are none."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return math.isfinite(value)


def number(value: float | None, digits: int = 2, *, signed: bool = False) -> str:
    """Return a number with a true minus sign: 12 345.6; one that rounds to zero has no sign."""
    if value is None or not is_number(value):
        return MISSING
    text = f"{abs(value):,.{digits}f}".replace(",", NBSP)
    if not any(c in "123456789" for c in text):
        return text
    return (MINUS if value < 0 else "+" if signed else "") + text


def significant(value: float | None, digits: int = 6) -> str:
    """Return a programmed slope as a head unit shows it: up to six digits, no padding."""
    if value is None or not is_number(value):
        return MISSING
    return f"{value:.{digits}g}".replace("-", MINUS)


def slope(value: float | None, step: float | None) -> str:
    """Return a slope at the meter's step, 5.40 as 5.40; one that is no multiple as it is."""
    if value is None or not is_number(value) or not step:
        return significant(value)
    digits = max(-int(Decimal(f"{step:.10g}").normalize().as_tuple().exponent), 0)
    text = f"{value:.{digits}f}"
    return text if abs(float(text) - value) < 1e-6 * step else significant(value)


def recommended_slopes(session: Mapping[str, object]) -> str:
    """Return the slope that suits the state a session left its meter in; of a pair, L and R."""
    step = session.get("slope_step")
    texts = [
        letter + slope(value, step if isinstance(step, float) else None)
        for side, letter in (("", ""), ("_left", "L "), ("_right", "R "))
        if isinstance(value := session.get(f"recommended_slope{side}"), float)
    ]
    return f" {MIDDLE} ".join(texts) or MISSING


def with_unit(text: str, unit: str | None) -> str:
    """Return a written number with its unit behind it; without a number or a unit as it is."""
    return f"{text}{NBSP}{unit}" if unit and text != MISSING else text


def quantity(value: float | None, unit: str, digits: int = 2, *, signed: bool = False) -> str:
    """Return a value with its unit: 41.20 N·m."""
    return with_unit(number(value, digits, signed=signed), unit)


def percent(value: float | None, digits: int = 2, *, signed: bool = True) -> str:
    """Return a value that is in percent, with its sign: +1.94 %."""
    return quantity(value, "%", digits, signed=signed)


def share(fraction: float | None, digits: int = 0) -> str:
    """Return a fraction of 1 as percent: 0.25 is 25 %."""
    return percent(None if fraction is None else 100 * fraction, digits, signed=False)


def probability(p: float | None) -> str:
    """Return a probability in whole percent; never a rounded 0 or 100 %."""
    if p is None or not is_number(p):
        return MISSING
    if p < 0.01:
        return f"<{NBSP}1{NBSP}%"
    if p > 0.99:
        return f">{NBSP}99{NBSP}%"
    return f"{min(99, max(1, round(100 * p)))}{NBSP}%"


def money(amount: float | None, currency: str | None = None) -> str:
    """Return an amount in whole units of its currency: 1 455 EUR."""
    return quantity(amount, currency or "", 0)


def span(
    interval: Interval | None, digits: int = 2, unit: str = "%", *, signed: bool = True
) -> str:
    """Return an interval in words: +1.21 to +2.67 %."""
    if not interval or not all(is_number(end) for end in interval):
        return MISSING
    low, high = (number(end, digits, signed=signed) for end in interval)
    return with_unit(f"{low} to {high}", unit)


def share_span(interval: Interval | None, digits: int = 0) -> str:
    """Return an interval of fractions of 1 as percent: 12 to 31 %."""
    ends = [None if end is None else 100 * end for end in interval or ()]
    return span(ends, digits, signed=False)


def money_span(interval: Interval | None, currency: str | None = None) -> str:
    """Return an interval of money: 1 455 to 2 629 EUR."""
    return span(interval, 0, currency or "", signed=False)


def estimate(shown: str, interval: str) -> str:
    """Return a written number with its written interval behind it: 1.9 % (+0.9 to +2.9 %)."""
    return shown if MISSING in (shown, interval) else f"{shown} ({interval})"


def plus_minus(value: float | None, half: float | None, unit: str, digits: int = 2) -> str:
    """Return a value ± half the width of its interval, with one unit behind both."""
    text = number(value, digits, signed=True)
    if text != MISSING and half is not None and is_number(half):
        text = f"{text} {within(half, digits)}"
    return with_unit(text, unit)


def within(half: float, digits: int = 2, unit: str = "") -> str:
    """Return half the width of an interval, or a limit: ± 1.5 %."""
    return with_unit(f"±{NBSP}{number(half, digits)}", unit)


def half(interval: Interval | None) -> float | None:
    """Return half the width of an interval; None without one."""
    if not interval or not all(is_number(end) for end in interval):
        return None
    low, high = interval
    return (high - low) / 2 if low is not None and high is not None else None


def half90(sd: float | None) -> float | None:
    """Return half the width of the 90 % interval of a normal error with this standard deviation."""
    return Z90 * sd if sd is not None and is_number(sd) else None


def duration(seconds: float | None) -> str:
    """Return a length of time to the second: 45 s, 5 min 30 s, 60 min, 2 h 05 min."""
    if seconds is None or not is_number(seconds):
        return MISSING
    whole = round(seconds)
    if whole < 60:
        return with_unit(str(whole), "s")
    if whole >= 7200:
        rest = with_unit(f"{whole % 3600 // 60:02d}", "min")
        return f"{with_unit(str(whole // 3600), 'h')} {rest}"
    rest = f" {with_unit(f'{whole % 60:02d}', 's')}" if whole % 60 else ""
    return with_unit(str(whole // 60), "min") + rest


def minutes(seconds: float | None) -> str:
    """Return a length of time in whole minutes: 52 min."""
    return quantity(None if seconds is None else seconds / 60, "min", 0)
