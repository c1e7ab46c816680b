"""How the interval methods of ILAC-G24 / OIML D 10 move an interval, one session at a time.

The documents give no numbers: fractions, factors and the first interval below are ours, common
practice where nothing else is said.
"""

from typing import NamedTuple

import numpy as np

from models.metrology import Array, Index

FIRST_DAYS = 365.0
"""The calendar interval, and where the staircase begins."""
LEAST_DAYS, MOST_DAYS = 30.0, 1826.0
WELL_INSIDE, LONGER, SHORTER = 0.8, 1.25, 0.5
"""Of the staircase: up to which share of the tolerance a result counts as well inside (80 % is the
example of ILAC-G24:2007), and the factors."""
LEAST_SESSIONS = 3
"""Sessions of a meter that its own line needs."""


def staircase_step(days: Array, share: Array) -> Array:
    """Return the next intervals: longer after a result well inside, shorter after one outside.

    days, share [M]: the intervals, and what was found over the tolerance; nan: no session.
    """
    factor = np.where(share <= WELL_INSIDE, LONGER, np.where(share > 1.0, SHORTER, 1.0))
    stepped = np.clip(days * factor, LEAST_DAYS, MOST_DAYS)
    return np.where(np.isnan(share), days, stepped)


def reliability_interval(interval: Array, observed: Array, target: float) -> Array:
    """Return the interval after which the target share is still within tolerance.

    observed: the share found within tolerance after `interval`; both of one shape, the result in
    the unit of interval. Exponential model, R(t) = exp(−t/theta): interval · ln(target) /
    ln(observed). ValueError where a share does not lie between 0 and 1.
    """
    for name, value in (("observed", observed), ("target", np.asarray(target))):
        wrong = np.atleast_1d(value)[~((np.atleast_1d(value) > 0) & (np.atleast_1d(value) < 1))]
        if wrong.size:
            raise ValueError(f"{name}: found {wrong[0]:g}, expected a share between 0 and 1")
    return np.asarray(interval * np.log(target) / np.log(observed))


class Line(NamedTuple):
    """Least-squares lines of M meters, [M] each.

    n points; level at the mean time `middle`; slope; Sxx: squares of the times about their mean;
    scatter about the lines and its degrees of freedom, pooled over the group (nan, 0: unknown)
    """

    n: Array
    middle: Array
    level: Array
    slope: Array
    Sxx: Array
    scatter: Array
    dof: Array

    def at(self, time: Array) -> tuple[Array, Array]:
        """Return the lines at times [M, K], and their standard uncertainty in units of scatter."""
        x = time - self.middle[:, None]
        with np.errstate(divide="ignore"):
            leverage = 1 / self.n[:, None] + x**2 / np.maximum(self.Sxx, 1e-9)[:, None]
        return self.level[:, None] + self.slope[:, None] * x, np.sqrt(leverage)


class Lines:
    """Lines through what M meters' sessions found, point by point. group [M]: codes from 0."""

    def __init__(self, group: Index) -> None:
        self.group = group
        self.n = np.zeros(group.size)
        self.sums = np.zeros((5, group.size))  # t, y, tt, ty, yy

    def add(self, meters: Index, time: Array, found: Array) -> None:
        """Add one point each to some meters' lines; time and found are of their length."""
        self.n[meters] += 1
        self.sums[:, meters] += np.stack([time, found, time**2, time * found, found**2])

    def fit(self) -> Line:
        """Return the lines through the points so far."""
        t, y, tt, ty, yy = self.sums / np.maximum(self.n, 1.0)
        Sxx, Sxy, Syy = (self.n * x for x in (tt - t * t, ty - t * y, yy - y * y))
        slope = np.divide(Sxy, Sxx, out=np.zeros_like(Sxx), where=Sxx > 1e-9)
        dof = np.maximum(self.n - 2.0, 0.0)
        rest = np.maximum(Syy - slope * Sxy, 0.0) * (dof > 0)
        squares, freedom = self._pooled(rest), self._pooled(dof)
        with np.errstate(invalid="ignore"):
            scatter = np.sqrt(squares / freedom)
        return Line(self.n.copy(), t, y, slope, Sxx, scatter, freedom)

    def _pooled(self, values: Array) -> Array:
        """Return the sum over each meter's group."""
        sums = np.bincount(self.group, weights=values, minlength=self.n.size)
        return np.asarray(sums[self.group], dtype=np.float64)
