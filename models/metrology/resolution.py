"""Read from the digits of written numbers how finely they were read."""

from collections.abc import Iterable
from decimal import Decimal

MOST_DECIMALS = 6
"""Numbers with more decimals are computed, not read off a display."""
FINE_STEPS = (0.5, 0.25, 0.2)
"""Steps within a decimal place that displays use, in units of that place."""
ENOUGH_FOR_STEPS = 8
"""Readings that must share a step of 0.5, 0.25 or 0.2 before it is believed."""


def decimals(value: float, most: int = MOST_DECIMALS) -> int:
    """Return the decimals a number was written with: 9.81 → 2, 20.0 → 0; at most `most`."""
    exponent = Decimal(repr(float(value))).normalize().as_tuple().exponent
    return min(max(-exponent, 0), most) if isinstance(exponent, int) else 0


def half_last_digit(value: float, *, most: int = MOST_DECIMALS) -> float:
    """Return half a unit of the last digit written: 9.81 → 0.005."""
    return 0.5 * float(10.0 ** -decimals(value, most))


def display_step(readings: Iterable[float]) -> float:
    """Return the step of the display that readings were taken from, in their unit.

    The most decimals of all, since a trailing zero leaves no trace in a number; 0 where they
    have more than a display shows. From `ENOUGH_FOR_STEPS` readings on, a coarser step in
    that place (0.05 rather than 0.01) is believed if every reading is a multiple of it.
    """
    values = list(readings)
    if not values:
        return 0.0
    places = max(decimals(value, MOST_DECIMALS + 1) for value in values)
    if places > MOST_DECIMALS:
        return 0.0
    step = float(10.0**-places)
    if len(values) < ENOUGH_FOR_STEPS:
        return step
    coarser = (10 * step * part for part in FINE_STEPS)
    return next((c for c in coarser if all(_multiple(v, c) for v in values)), step)


def _multiple(value: float, step: float) -> bool:
    return abs(value / step - round(value / step)) < 1e-6
