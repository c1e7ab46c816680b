"""Limits of agreement between two methods of measurement."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Agreement:
    """Mean difference (first − second), its sd and the limits within which 95 % lie."""

    mean_difference: float
    sd: float
    limits: tuple[float, float]


def bland_altman(first: Array, second: Array, *, multiple: float = 1.96) -> Agreement:
    """Limits of agreement of paired readings (n,), n ≥ 2, in their own unit.

    Ref  Bland & Altman (1986) Lancet i:307–310; they use a multiple of 2.
    """
    difference = first - second
    mean, sd = float(np.mean(difference)), float(np.std(difference, ddof=1))
    return Agreement(mean, sd, (mean - multiple * sd, mean + multiple * sd))
