"""Measure scatter: limits of agreement, and a standard deviation that outliers do not move."""

from dataclasses import dataclass

import numpy as np

from models.metrology.arrays import Array

MAD_TO_SD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""


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
