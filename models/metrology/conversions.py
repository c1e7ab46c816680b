"""Convert errors between 100·ln, in which the models work, and plain percent, which is shown.

An error in 100·ln is 100 · ln(reading / true): errors of parts that multiply add up exactly.
Each function takes a number, an array or a polars expression and returns the same kind.
"""

import math
from typing import TypeVar

import numpy as np
import polars as pl

from models.metrology.arrays import Array

Number = TypeVar("Number", float, Array, pl.Expr)

Z90 = 1.6448536269514722
"""The 95 % quantile of the standard normal: half the width of a 90 % interval in sd."""


def ratio_from_ln(error_ln: Number) -> Number:
    """Return reading / true of an error in 100·ln."""
    part = error_ln / 100.0
    if isinstance(part, pl.Expr):
        return part.exp()
    return np.asarray(np.exp(part)) if isinstance(part, np.ndarray) else math.exp(part)


def percent_from_ln(error_ln: Number) -> Number:
    """Return the plain percent of an error in 100·ln."""
    part = error_ln / 100.0
    if isinstance(part, pl.Expr):
        return (part.exp() - 1.0) * 100.0
    return 100.0 * (np.expm1(part) if isinstance(part, np.ndarray) else math.expm1(part))


def ln_from_ratio(ratio: Number) -> Number:
    """Return the error in 100·ln of reading / true, which is above 0."""
    if isinstance(ratio, pl.Expr):
        return ratio.log() * 100.0
    return 100.0 * (np.log(ratio) if isinstance(ratio, np.ndarray) else math.log(ratio))


def ln_from_percent(error_pct: Number) -> Number:
    """Return the error in 100·ln of one in plain percent, which is above −100."""
    part = error_pct / 100.0
    if isinstance(part, pl.Expr):
        return part.log1p() * 100.0
    return 100.0 * (np.log1p(part) if isinstance(part, np.ndarray) else math.log1p(part))


def percent_sd(error_ln: Number, sd_ln: Number) -> Number:
    """Return the standard deviation in plain percent of an error known in 100·ln."""
    return sd_ln * ratio_from_ln(error_ln)


def interval90(error_ln: float, sd_ln: float) -> list[float]:
    """Return the ends of the 90 % interval in plain percent of an error known in 100·ln."""
    half = Z90 * sd_ln
    return [percent_from_ln(error_ln - half), percent_from_ln(error_ln + half)]
