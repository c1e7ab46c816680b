"""What forecast and findings together say of a meter's true error, if nobody slipped.

The forecast is a normal density with the long tail of meters that were struck unnoticed: see
`weighing`. Hangs that agree are averaged; what they share (crank, masses, place, chain) is not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from models.bench.causes.own_past import Expectation
from models.bench.causes.weighing import KNOCKED_SD, KNOCKED_SHARE

LEAST_U = 1e-6
"""No hang is more certain, 100·ln."""


class Hangs(NamedTuple):
    """Hangs that agree: what each found, its own standard uncertainty, and the shared one, 100·ln.

    What they share is what another hang would have again.
    """

    found: tuple[float, ...]
    u_own: tuple[float, ...]
    u_shared: float

    def without(self, shift: float) -> Hangs:
        """Return the hangs without what a slip added to each."""
        return self._replace(found=tuple(x - shift for x in self.found))

    def mean(self) -> tuple[float, float]:
        """Return their weighted mean, and the variance that is its own."""
        precision = [1 / max(u, LEAST_U) ** 2 for u in self.u_own]
        variance = 1 / sum(precision)
        return variance * sum(x * p for x, p in zip(self.found, precision, strict=True)), variance


class Part(NamedTuple):
    """One normal part of the true error's density, 100·ln."""

    weight: float
    mean: float
    sd: float


def true_error(expected: Expectation, hangs: Hangs) -> list[Part]:
    """Return the density of the true error as normal parts whose weights sum to 1.

    expected: before the first of these hangs. A meter's own past was found with what they share.
    """
    found, variance = hangs.mean()
    before, after = hangs.u_shared, 0.0
    if expected.known and not expected.of_truth:
        before, after = after, before
    noise = variance + before**2
    parts = []
    for share, extra in ((1 - KNOCKED_SHARE, 0.0), (KNOCKED_SHARE, KNOCKED_SD)):
        prior = expected.sd**2 + extra**2
        total = prior + noise
        off = found - expected.mean
        mean = expected.mean + prior / total * off
        sd = math.sqrt(prior * noise / total + after**2)
        parts.append(Part(share * math.exp(-(off**2) / total / 2) / math.sqrt(total), mean, sd))
    whole = sum(part.weight for part in parts)
    if whole <= 0:  # further off than any number says: the finding itself
        return [Part(1.0, found, math.sqrt(noise + after**2))]
    return [part._replace(weight=part.weight / whole) for part in parts]


def forecast_alone(expected: Expectation) -> list[Part]:
    """Return the density of the true error before anything is hung."""
    struck = math.hypot(expected.sd, KNOCKED_SD)
    return [
        Part(1 - KNOCKED_SHARE, expected.mean, expected.sd),
        Part(KNOCKED_SHARE, expected.mean, struck),
    ]


def better_by_reset(parts: Sequence[Part], x: float) -> float:
    """Return the probability that the true error is more than half of what was found.

    Then, and only then, a slope set by what was found leaves less than there was.
    """
    side = math.copysign(1.0, x)
    return sum(p.weight * _above((abs(x) / 2 - side * p.mean) / p.sd) for p in parts)


def reset_by(parts: Sequence[Part], x: float) -> list[Part]:
    """Return the density of the true error once the slope is set by what was found."""
    return [part._replace(mean=part.mean - x) for part in parts]


def harm_beyond(parts: Sequence[Part], limit: float) -> float:
    """Return the expected square of the true error less the limit's, where it is beyond it."""
    return sum(
        p.weight * (_beyond(p.mean, p.sd, limit) + _beyond(-p.mean, p.sd, limit)) for p in parts
    )


def _beyond(mean: float, sd: float, limit: float) -> float:
    z = (limit - mean) / sd
    density = math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    return (mean**2 + sd**2 - limit**2) * _above(z) + sd * (mean + limit) * density


def _above(z: float) -> float:
    """Return the probability that a standard normal variable is above z."""
    return 0.5 * math.erfc(z / math.sqrt(2))
