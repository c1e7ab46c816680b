"""Measure scatter: limits of agreement, an sd that outliers do not move, variances of many."""

from dataclasses import dataclass

import numpy as np

from models.metrology.arrays import Array

MAD_TO_SD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""
FEW_METERS = 5
"""Fewer meters do not tell how unlike meters are: what is usual stands in for it."""


@dataclass(frozen=True)
class Agreement:
    """Mean difference (first − second), its sd and the limits within which 95 % lie."""

    mean_difference: float
    sd: float
    limits: tuple[float, float]


def bland_altman(first: Array, second: Array, *, multiple: float = 1.96) -> Agreement:
    """Return the limits of agreement of paired readings (n,), n ≥ 2, in their own unit.

    Source: Bland & Altman (1986) Lancet i:307–310; they use a multiple of 2.
    """
    difference = first - second
    mean, sd = float(np.mean(difference)), float(np.std(difference, ddof=1))
    return Agreement(mean, sd, (mean - multiple * sd, mean + multiple * sd))


def robust_sd(values: Array, *, about: float | None = None) -> float:
    """Return 1.4826 times the median absolute deviation of values [n], n ≥ 1, in their unit.

    about: the centre that is already known (0 for residuals); else the values' median.
    """
    centre = np.median(values) if about is None else about
    return MAD_TO_SD * float(np.median(np.abs(values - centre)))


def variance_prior(variances: Array, dof: Array) -> tuple[float, float]:
    """Return the usual variance s0² of many, and the degrees of freedom d0 that it is worth.

    variances [n] > 0 of dof [n] each, n ≥ 2; a true variance is taken as d0·s0² over a χ² of d0.
    A variance s² shrinks to (d0·s0² + dof·s²) / (d0 + dof). d0 is infinite where the variances
    differ no more than chance allows.
    Source: Smyth (2004), Stat. Appl. Genet. Mol. Biol. 3(1), art. 3, section 6.2.
    """
    from scipy.special import digamma, polygamma

    e = np.log(variances) - digamma(dof / 2) + np.log(dof / 2)
    excess = float(np.var(e, ddof=1) - np.mean(polygamma(1, dof / 2)))
    if excess <= 0:
        return float(np.exp(np.mean(e))), float("inf")
    d0 = 2 * _inverse_trigamma(excess)
    return float(np.exp(np.mean(e) + digamma(d0 / 2) - np.log(d0 / 2))), d0


def _inverse_trigamma(y: float) -> float:
    """Return x with trigamma(x) = y > 0, by Newton's method on 1/trigamma (Smyth, appendix)."""
    from scipy.special import polygamma

    x = 0.5 + 1 / y
    for _ in range(50):
        now = float(polygamma(1, x))
        step = now * (1 - now / y) / float(polygamma(2, x))
        x += step
        if abs(step) < 1e-9 * x:
            break
    return x
