"""Add up the uncertainty budget of one result, after the GUM (JCGM 100:2008).

u: standard uncertainty (k = 1). dof: degrees of freedom, infinite where a value is taken as
known. A **prior** for a standard deviation is one with few degrees of freedom of its own.
"""

import math
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from models.metrology.arrays import Array

INFINITE = math.inf
LEVEL = 0.95
DIVISORS = {
    "normal": 1.0,
    "rectangular": math.sqrt(3),
    "triangular": math.sqrt(6),
    "arcsine": math.sqrt(2),
}
SHARED = ("session", "meter", "crank", "bench", "place")


class Term(NamedTuple):
    """One source in a budget.

    u_pct: its part of the result's standard uncertainty, % (of the gain error).
    sensitivity: change of the result, %, for one unit of the input; u_input in that unit.
    None for both where the input enters only in second order (an angle about level).
    """

    source: str
    u_pct: float
    type: str
    distribution: str
    shared: str
    dof: float = INFINITE
    sensitivity: float | None = None
    u_input: float | None = None
    unit: str = ""


class Budget(NamedTuple):
    """All sources of one result, with what they come to together.

    parts: u in % and dof by what the terms are shared with (see SHARED).
    """

    terms: tuple[Term, ...]
    u_pct: float
    dof: float
    coverage_factor: float
    parts: dict[str, tuple[float, float]]

    @property
    def expanded_pct(self) -> float:
        """Return U at 95 %."""
        return self.coverage_factor * self.u_pct

    @property
    def largest(self) -> Term | None:
        """Return the largest term."""
        return max(self.terms, key=lambda term: term.u_pct, default=None)

    def part(self, shared: str) -> tuple[float, float]:
        """Return u in % and dof of the terms that are shared with one thing."""
        return self.parts.get(shared, (0.0, INFINITE))


def budget(terms: Sequence[Term]) -> Budget:
    """Combine independent terms: root sum of squares, Welch–Satterthwaite, k = t(0.975, ν)."""
    groups: dict[str, list[Term]] = {}
    for term in terms:
        groups.setdefault(term.shared, []).append(term)
    u, dof = _together(terms)
    parts = {shared: _together(group) for shared, group in groups.items()}
    return Budget(tuple(terms), u, dof, coverage_factor(dof), parts)


def _together(terms: Sequence[Term]) -> tuple[float, float]:
    us = [term.u_pct for term in terms]
    return combine(us), welch_satterthwaite(us, [term.dof for term in terms])


def standard(half_width: float, distribution: str = "rectangular") -> float:
    """Return the standard uncertainty of a value known within ± half_width (GUM 4.3.7–4.3.9)."""
    return half_width / DIVISORS[distribution]


def combine(contributions: Iterable[float]) -> float:
    """Return the root of the sum of squares of independent contributions (GUM eq. 10)."""
    return math.hypot(*contributions)


def combine_correlated(contributions: Sequence[float], correlation: Array | float) -> float:
    """Combine correlated contributions cᵢ·u(xᵢ), signed (GUM eq. 16).

    correlation: the matrix, or one coefficient that holds between any two of them.
    """
    c = np.asarray(contributions, float)
    if isinstance(correlation, float | int):
        correlation = np.full((c.size, c.size), float(correlation))
        np.fill_diagonal(correlation, 1.0)
    return math.sqrt(max(float(c @ correlation @ c), 0.0))


def welch_satterthwaite(us: Sequence[float], dofs: Sequence[float]) -> float:
    """Return the effective dof ν = u⁴ / Σ uᵢ⁴/νᵢ (GUM eq. G.2b); infinite if all are."""
    below = sum(u**4 / dof for u, dof in zip(us, dofs, strict=True) if dof != INFINITE)
    if below == 0:
        return INFINITE
    return float(sum(u * u for u in us) ** 2 / below)


def coverage_factor(dof: float, level: float = LEVEL) -> float:
    """Return k of a two-sided interval: t quantile at dof truncated to a whole one (GUM G.6.4)."""
    whole = dof if dof == INFINITE else max(math.floor(dof + 1e-9), 1)
    return _t_quantile(whole, level)


@lru_cache(maxsize=4096)
def _t_quantile(dof: float, level: float) -> float:
    from scipy.special import ndtri, stdtrit

    upper = 0.5 + level / 2
    return float(ndtri(upper) if dof == INFINITE else stdtrit(dof, upper))


def pooled_with_prior(
    sum_of_squares: float, dof: float, *, prior_sd: float, prior_dof: float, enough: float
) -> tuple[float, float, str]:
    """Return an sd from few observations and a prior: (sd, dof, type A or B).

    From `enough` degrees of freedom on the observations speak alone. Below, the prior counts
    as `prior_dof` more of them (scaled inverse-χ²).
    Source: Gelman et al., Bayesian Data Analysis, 2.6.
    """
    if dof >= enough:
        return math.sqrt(sum_of_squares / dof), dof, "A"
    total = dof + prior_dof
    sd = math.sqrt((sum_of_squares + prior_dof * prior_sd**2) / total)
    return sd, total, "A" if dof > 0 else "B"
