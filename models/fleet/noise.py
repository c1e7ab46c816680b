"""Finds meters whose noise has grown beyond their usual."""

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincc

from models.fleet.arrays import Array, Index, rows_of_each
from models.fleet.observations import Observations

_FEWEST = 6
_CLIP = 6.25  # one wild comparison alone is no grown noise
_USUAL_CLIPPED = (0.9262, 1.5029)  # mean and variance of min(z², 6.25), z standard normal


@dataclass(frozen=True)
class Grown:
    """A meter whose noise sd is `factor` times its usual since an observation."""

    meter: int
    row: int
    before: int
    factor: float
    p: float


def noise_p_values(z: Array, obs: Observations) -> list[Grown]:
    """The best supported growth of each meter with its p-value, dates searched included.

    z   standardized innovations of all observations at full weight

    Squares are clipped, so a tail heavier than normal weighs little, and scaled by the fleet's
    own mean; the sum since a date is judged as a scaled χ².
    """
    clipped = np.minimum(z**2, _CLIP)
    rides = ~obs.is_bench
    if rides.sum() < 2 * _FEWEST:
        return []
    usual = max(float(np.mean(clipped[rides])) / _USUAL_CLIPPED[0], 1.0)
    grown = []
    for meter, rows in rows_of_each(np.where(rides, obs.owner, -1)):
        found = _best(meter, rows, clipped[rows] / usual)
        if found is not None:
            grown.append(found)
    return grown


def _best(meter: int, rows: Index, squares: Array) -> Grown | None:
    n = len(rows)
    starts = np.arange(1, n - _FEWEST + 1)
    if not len(starts):
        return None
    count = (n - starts).astype(np.float64)
    total = np.cumsum(squares[::-1])[::-1][starts]
    p = _upper_tail(total, count)
    best = int(np.argmin(p))
    tries = 1 + np.log2(max(n / _FEWEST, 1.0)) * 2.0
    k = int(starts[best])
    ratio = float(total[best] / count[best] / _USUAL_CLIPPED[0])
    return Grown(
        meter,
        int(rows[k]),
        int(rows[k - 1]),
        _factor(ratio),
        float(min(1.0, p[best] * tries)),
    )


def _upper_tail(total: Array, count: Array) -> Array:
    """P(sum of clipped squares > total), by a gamma of the same mean and variance."""
    mean, variance = _USUAL_CLIPPED
    shape, scale = count * mean**2 / variance, variance / mean
    tail: Array = gammaincc(shape, total / scale)
    return tail


def _factor(ratio: float) -> float:
    """Noise sd ratio whose clipped squares have `ratio` times the usual mean."""
    s = np.linspace(1.0, 8.0, 141)
    z = (np.arange(400) + 0.5) / 400 * 8
    density = np.exp(-0.5 * z**2)
    density /= density.sum()
    mean = [float(density @ np.minimum((x * z) ** 2, _CLIP)) / _USUAL_CLIPPED[0] for x in s]
    return float(np.interp(ratio, mean, s))
