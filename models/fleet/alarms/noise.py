"""Find meters whose noise has grown beyond their usual."""

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincc, ndtr

from models.fleet.design import Observations, rows_of_each
from models.metrology import Array, Index

_FEWEST = 6
_CLIP = 6.25  # one outlier alone is no grown noise
_USUAL_CLIPPED = (0.9262, 1.5029)  # mean and variance of min(z², 6.25), z standard normal


@dataclass(frozen=True)
class Grown:
    """A meter whose clipped squares have `ratio` times the usual mean since an observation."""

    meter: int
    row: int
    before: int
    ratio: float
    p: float

    @property
    def factor(self) -> float:
        """Return how much larger the noise's sd is."""
        return _factor(self.ratio)


def noise_p_values(z: Array, obs: Observations) -> list[Grown]:
    """Return each meter's best supported growth with its p-value, dates searched included.

    z: standardized innovations of all observations at full weight

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
    return Grown(meter, int(rows[k]), int(rows[k - 1]), ratio, float(min(1.0, p[best] * tries)))


def _upper_tail(total: Array, count: Array) -> Array:
    """Return P(sum of clipped squares > total), by a gamma of the same mean and variance."""
    mean, variance = _USUAL_CLIPPED
    shape, scale = count * mean**2 / variance, variance / mean
    tail: Array = gammaincc(shape, total / scale)
    return tail


def _factor(ratio: float) -> float:
    """Return the noise sd ratio whose clipped squares have `ratio` times the usual mean."""
    s = np.linspace(1.0, 8.0, 141)
    c = np.sqrt(_CLIP) / s
    inside = 2 * ndtr(c) - 1 - 2 * c * np.exp(-0.5 * c**2) / np.sqrt(2 * np.pi)
    mean = s**2 * inside + _CLIP * 2 * ndtr(-c)
    return float(np.interp(ratio, mean / mean[0], s))
