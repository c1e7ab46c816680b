"""Decide whether an error is within tolerance, and how sure that is."""

import math

import numpy as np

from models.metrology.arrays import Array
from models.metrology.uncertainty import INFINITE

_erfc = np.frompyfunc(math.erfc, 1, 1)
_MANY = 500_000  # values for which importing scipy pays
IN, OUT, INDETERMINATE = "in_tolerance", "out_of_tolerance", "indeterminate"


def verdict(error_pct: float, expanded_pct: float, *, tolerance_pct: float) -> str:
    """Decide with a guard band of the whole expanded uncertainty on either side.

    in_tolerance if |e| + U ≤ tolerance, out_of_tolerance if |e| − U > tolerance, else
    indeterminate.
    """
    size = abs(error_pct)
    if size + expanded_pct <= tolerance_pct:
        return IN
    return OUT if size - expanded_pct > tolerance_pct else INDETERMINATE


def p_between(
    lower: float, upper: float, *, estimate: float, u: float, dof: float = INFINITE
) -> float:
    """Return the probability that the true value lies between two limits (either may be infinite).

    Flat prior: the true value is estimate + u·t with dof truncated. Source: JCGM 106:2012, 7.
    """
    if u <= 0:
        return float(lower <= estimate <= upper)
    return _cumulative((upper - estimate) / u, dof) - _cumulative((lower - estimate) / u, dof)


def p_within(error_pct: float, u_pct: float, *, dof: float, tolerance_pct: float) -> float:
    """Return the probability that the true error is within ± tolerance."""
    return p_between(-tolerance_pct, tolerance_pct, estimate=error_pct, u=u_pct, dof=dof)


def normal_cdf(z: Array) -> Array:
    """Return P(Z ≤ z) of a standard normal, elementwise."""
    if z.size > _MANY:
        from scipy.special import ndtr

        return np.asarray(ndtr(z), dtype=np.float64)
    return np.asarray(_erfc(-z / math.sqrt(2)), dtype=np.float64) / 2


def _cumulative(t: float, dof: float) -> float:
    from scipy.special import ndtr, stdtr

    if dof == INFINITE:
        return float(ndtr(t))
    if math.isinf(t):
        return float(t > 0)
    return float(stdtr(max(math.floor(dof + 1e-9), 1), t))
