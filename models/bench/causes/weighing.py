"""How likely each cause of a found error is: the meter itself, or a slip of the mechanic's.

Every cause is a prior share times the density of what it leaves to explain. Left to itself a
meter is found where its forecast puts it, or, with KNOCKED_SHARE, some KNOCKED_SD away:

    P(cause) = share · N(x − m − shift) / (Σ share · N(x − m − shift) + P(none) · N(x − m))

x: 100·ln of the mean ratio, m: the forecast, shift: 100·ln of what a slip does to the ratio,
N: a normal density with the forecast's and the session's uncertainty, and its long tail.
A slip of the setup may be carried over from the day's neighbours: see `neighbours`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from models.bench.causes.mistakes import NO_ZERO_SHARE, Mistake

KNOCKED_SHARE, KNOCKED_SD = 0.03, 3.0
"""Of meters that were struck, remounted or serviced unnoticed since they were last measured."""
OFFSET_SD_NM = 1.0
REMAINS = 4.0
"""Standard deviations that may remain once a slip is taken off; else it explains nothing."""
ABSURD = 8.0
"""100·ln that may remain where a setting is known to be wrong, or a decimal point."""
LEAST_NONE = 0.5
"""Least share of sessions without any slip, however many slips are possible."""


class Weighed(NamedTuple):
    """Causes with their probabilities, in the order of `mistakes`.

    off       what was found less what was forecast, 100·ln; sd: its standard deviation
    none      probability that nobody slipped
    no_zero   probability of an offset that no zero took off; 0 where one was read
    """

    mistakes: tuple[Mistake, ...]
    probabilities: tuple[float, ...]
    none: float
    no_zero: float
    off: float
    sd: float

    @property
    def moved(self) -> float:
        """Probability that nobody slipped and the meter moved, struck or remounted unnoticed."""
        itself = by_itself(self.off, self.sd)
        return self.none * (_moved(self.off, self.sd) / itself if itself > 0 else 1.0)

    def nameable(self, mistake: Mistake) -> bool:
        """Return whether what a mistake leaves is what the meter may have by itself."""
        return abs(self.off - mistake.shift) <= REMAINS * self.sd


class Densities(NamedTuple):
    """Density of what was found under each cause, before any share."""

    mistakes: tuple[Mistake, ...]
    each: tuple[float, ...]
    none: float
    no_zero: float
    off: float
    sd: float


def densities(
    mistakes: Sequence[Mistake], off: float, sd: float, *, zero_sd: float | None
) -> Densities:
    """Return the density of a finding under each cause.

    off, sd: see `Weighed`; zero_sd: 100·ln that an offset may make; None: a zero was read
    """
    no_zero = 0.0 if zero_sd is None else _normal(off, math.hypot(sd, zero_sd))
    each = tuple(_left(off - m.shift, sd) for m in mistakes)
    return Densities(tuple(mistakes), each, by_itself(off, sd), no_zero, off, sd)


def weigh(
    found: Densities,
    *,
    carried: Mapping[str, float] | None = None,
    after: Mapping[str, float] | None = None,
) -> Weighed:
    """Return the probability of each cause.

    carried  share of each slip of the setup that the day's sessions before this one hand on
    after    how many times likelier the sessions after it make each; 1 where nothing is said
    """
    carried, after = carried or {}, after or {}
    rest = 1 - min(sum(carried.values()), 1.0)
    no_zero = NO_ZERO_SHARE if found.no_zero else 0.0
    none = max(1 - sum(m.share for m in found.mistakes) - no_zero, LEAST_NONE)
    weights = []
    for mistake, density in zip(found.mistakes, found.each, strict=True):
        share = rest * mistake.share
        if mistake.setup:
            share = (share + carried.get(mistake.key, 0.0)) * after.get(mistake.key, 1.0)
        weights.append(share * density)
    itself, offset = rest * none * found.none, rest * no_zero * found.no_zero
    total = sum(weights) + itself + offset
    if total <= 0:
        return Weighed(found.mistakes, (0.0,) * len(weights), 1.0, 0.0, found.off, found.sd)
    each = tuple(w / total for w in weights)
    return Weighed(found.mistakes, each, itself / total, offset / total, found.off, found.sd)


def by_itself(off: float, sd: float) -> float:
    """Return the density of what was found if nobody slipped."""
    return (1 - KNOCKED_SHARE) * _normal(off, sd) + _moved(off, sd)


def _moved(off: float, sd: float) -> float:
    return KNOCKED_SHARE * _normal(off, math.hypot(sd, KNOCKED_SD))


def _left(rest: float, sd: float) -> float:
    """Return the density of what a slip leaves; none where that would be absurd."""
    return by_itself(rest, sd) if abs(rest) <= max(ABSURD, REMAINS * sd) else 0.0


def _normal(x: float, sd: float) -> float:
    z = x / sd
    return math.exp(-z * z / 2) / sd if abs(z) < 38 else 0.0
