"""Set how large a statistic must be before it alarms, from the budget of false alarms.

A scan tests one device at many dates, and neighbouring tests are nearly the same. The expected
number of scans that exceed a limit c by chance is taken as the first test's tail plus all
upward crossings between neighbours (a discrete form of Rice's and Davies' (1977) bound):

    E(c) = 2 [ Φ(−c) + Σ_k P(Z_k ≤ c < Z_k+1) ],    correlation ρ_k between neighbours
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from models.metrology import Array

_NODES, _WEIGHTS = np.polynomial.laguerre.laggauss(20)
_RHO_BINS = np.concatenate([[-1.0], np.linspace(0.0, 0.9, 10), 1 - np.geomspace(0.08, 1e-4, 14)])
_LOWEST, _HIGHEST = 3.0, 9.0
"""However small the fleet: nobody acts on less than three sigma."""


@dataclass
class Trials:
    """What a family of alarms looks at: scans over dates, and single tests.

    rho      correlation between neighbouring dates, all scans together
    singles  what the adjusted odds add to each single test's z² (a crash makes a step likelier,
             a plausible slip an entry)
    scans    number of scans
    """

    rho: list[Array] = field(default_factory=list)
    singles: list[Array] = field(default_factory=list)
    scans: float = 0.0

    def add_scan(self, rho: Array, n: float = 1.0) -> None:
        """Add scans that have these neighbour correlations."""
        self.rho.append(np.ravel(rho))
        self.scans += n

    def add_singles(self, bonus: Array) -> None:
        """Add independent tests."""
        self.singles.append(np.ravel(bonus))

    def limit(self, allowed: float) -> float:
        """Return the limit for |z| at which `allowed` false alarms are expected in all."""
        count, centres = self._crossings()
        bonus = np.concatenate(self.singles) if self.singles else np.zeros(0)
        return smallest_limit(lambda c: self._expected(c, count, centres, bonus), allowed)

    def _crossings(self) -> tuple[Array, Array]:
        rho = np.concatenate(self.rho) if self.rho else np.zeros(0)
        count, edges = np.histogram(np.clip(rho, -1.0, _RHO_BINS[-1]), bins=_RHO_BINS)
        return count.astype(np.float64), np.maximum((edges[1:] + edges[:-1]) / 2, 0.0)

    def _expected(self, c: float, count: Array, rho: Array, bonus: Array) -> float:
        from scipy.special import ndtr

        scans = 2 * (self.scans * float(ndtr(-c)) + float(count @ crossing(c, rho)))
        raised = np.sqrt(np.maximum(c**2 - bonus, 0.0))
        return scans + 2 * float(np.sum(ndtr(-raised)))


def smallest_limit(expected: Callable[[float], float], allowed: float) -> float:
    """Return the least limit in 3 … 9 that keeps the expected number of false alarms allowed."""
    low, high = _LOWEST, _HIGHEST
    if expected(low) <= allowed:
        return low
    for _ in range(40):
        c = (low + high) / 2
        if expected(c) > allowed:
            low = c
        else:
            high = c
    return high


def crossing(c: float, rho: Array) -> Array:
    """Return P(Z1 ≤ c < Z2) of standard normals of correlation ρ (Gauss–Laguerre quadrature)."""
    from scipy.special import ndtr

    z = c + _NODES / c
    density = np.exp(-0.5 * (_NODES / c) ** 2) * np.exp(-0.5 * c**2) / (c * np.sqrt(2 * np.pi))
    below = ndtr((c - rho[:, None] * z) / np.sqrt(1 - np.minimum(rho[:, None], 0.999999) ** 2))
    result: Array = below @ (_WEIGHTS * density)
    return result
