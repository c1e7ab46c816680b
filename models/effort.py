"""The coach's question: what an errorless meter would have shown, and whether a gain is real.

True watts are shown watts × exp(−e/100), e the meter's gain error in 100·ln. The uncertainty of
a difference is the joint one: two efforts on one meter share most of its error, two meters
checked on one mass set share some. The zero offset is no gain error and not in here: 0.3 N·m at
90 rpm is 2.8 W, so zero before an effort that counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.documents import Z90

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Effort:
    """Watts held on a meter (or a trainer) at an instant."""

    at: datetime
    device_id: str
    watts: float
    seconds: float | None = None
    dated_only: bool = True  # given as a day, without a time


def answer(efforts: Sequence[Effort], mean_ln: Array, covariance: Array) -> dict[str, Any]:
    """The `effort` document.

    In  efforts: n of them; mean_ln [n], covariance [n, n]: joint gain errors, 100·ln
    """
    corrected = corrected_watts(np.array([e.watts for e in efforts]), mean_ln)
    return {
        "efforts": [
            _one(effort, watts, float(mean), math.sqrt(max(0.0, float(covariance[i, i]))))
            for i, (effort, watts, mean) in enumerate(
                zip(efforts, corrected.tolist(), mean_ln, strict=True)
            )
        ],
        "differences": [
            _difference(efforts, corrected, covariance, start, end)
            for start in range(len(efforts))
            for end in range(start + 1, len(efforts))
        ],
    }


def corrected_watts(watts: Array, mean_ln: Array) -> Array:
    """What an errorless meter would have shown. Both [n]; error in 100·ln."""
    return np.asarray(watts * np.exp(-mean_ln / 100.0))


def _one(effort: Effort, corrected: float, mean: float, sd: float) -> dict[str, Any]:
    low, high = (effort.watts * math.exp(-(mean + sign * Z90 * sd) / 100) for sign in (1, -1))
    return {
        "date": effort.at.date() if effort.dated_only else effort.at,
        "meter_id": effort.device_id,
        "watts": effort.watts,
        "seconds": effort.seconds,
        "corrected_w": corrected,
        "interval90_w": [low, high],
        "text": f"{effort.device_id} showed {effort.watts:.0f} W; an errorless meter would have "
        f"shown {corrected:.0f} W ({low:.0f} to {high:.0f}).",
    }


def _difference(
    efforts: Sequence[Effort], corrected: Array, covariance: Array, start: int, end: int
) -> dict[str, Any]:
    pair = [start, end]
    gradient = corrected[pair] / 100.0 * np.array([1.0, -1.0])  # d(difference) / d(e)
    sd = math.sqrt(max(0.0, float(gradient @ covariance[np.ix_(pair, pair)] @ gradient)))
    shown = efforts[end].watts - efforts[start].watts
    real = float(corrected[end] - corrected[start])
    p_increase = _normal_cdf(real / sd) if sd > 0 else float(real > 0)
    return {
        "from": start,
        "to": end,
        "watts": shown,
        "corrected_w": real,
        "interval90_w": [real - Z90 * sd, real + Z90 * sd],
        "meter_part_w": shown - real,
        "p_increase": p_increase,
        "text": _sentence(shown, real, sd, p_increase),
    }


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def _sentence(shown: float, real: float, sd: float, p_increase: float) -> str:
    split = f"of {shown:+.0f} W shown, the meter made {shown - real:+.0f} and the rider {real:+.0f}"
    if p_increase >= 0.95:
        return f"A real gain: {split} (± {Z90 * sd:.0f}); {p_increase:.0%} sure that it rose."
    if p_increase <= 0.05:
        return f"A real loss: {split} (± {Z90 * sd:.0f}); {1 - p_increase:.0%} sure that it fell."
    return (
        f"Not to be told apart from the meters' own errors: {split}, give or take "
        f"{Z90 * sd:.0f}; the chance that it rose is {p_increase:.0%}."
    )
