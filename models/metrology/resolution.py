"""Read from the digits of written numbers how finely they were read."""

from collections.abc import Iterable, Sequence
from decimal import Decimal

MOST_DECIMALS = 6
"""Numbers with more decimals are computed, not read off a display."""
OFTEN = 0.2
"""Part of the readings that must have a decimal place before the display is believed to."""
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


def decimals_shown(value: float, typed: int | None) -> int:
    """Return the decimals of a reading: as it was typed, where that is known and no fewer."""
    return max(decimals(value, MOST_DECIMALS + 1), typed or 0)


def display_step(readings: Iterable[float], shown: Sequence[int] | None = None) -> float:
    """Return the step of the display that readings were taken from, in their unit.

    shown: decimals of each (`decimals_shown`), which know of zeros at the end; None: counted.
    The finest place that readings often have; 0 where that is more than a display shows. From
    `ENOUGH_FOR_STEPS` readings on, a coarser step in that place (0.05 rather than 0.01) is
    believed if every reading is a multiple of it.
    """
    values = list(readings)
    if not values:
        return 0.0
    places = [decimals_shown(value, None) for value in values] if shown is None else list(shown)
    place = sorted(places, reverse=True)[max(int(OFTEN * len(values)), 1) - 1]
    if place > MOST_DECIMALS:
        return 0.0
    step = float(10.0**-place)
    read = [value for value, n in zip(values, places, strict=True) if n <= place]
    if len(read) < ENOUGH_FOR_STEPS:
        return step
    coarser = (10 * step * part for part in FINE_STEPS)
    return next((c for c in coarser if all(_multiple(v, c) for v in read)), step)


def _multiple(value: float, step: float) -> bool:
    return abs(value / step - round(value / step)) < 1e-6
