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


class Hung(NamedTuple):
    """What one hang found, 100·ln, and the standard uncertainty that is its own."""

    found: float
    u_session: float


class Part(NamedTuple):
    """One normal part of the true error's density, 100·ln."""

    weight: float
    mean: float
    sd: float


def true_error(expected: Expectation, hung: Sequence[Hung], u_shared: float) -> list[Part]:
    """Return the density of the true error as normal parts whose weights sum to 1.

    expected: before the first of these hangs; hung: they all, at least one; u_shared: what they
    have in common, 100·ln. A meter's own past was found with what they have in common too.
    """
    variance = 1 / sum(1 / max(h.u_session, 1e-6) ** 2 for h in hung)
    found = variance * sum(h.found / max(h.u_session, 1e-6) ** 2 for h in hung)
    before, after = (u_shared, 0.0)
    if expected.known and not expected.of_truth:
        before, after = 0.0, u_shared
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
