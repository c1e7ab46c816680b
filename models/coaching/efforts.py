"""The coach's question: what an errorless meter would have shown, and whether a gain is real.

True watts are shown watts × exp(−e/100), e the meter's gain error in 100·ln. The uncertainty of
a difference is the joint one: two efforts on one meter share most of its error, two meters
checked on one mass set share some.

The zero offset is no gain error: 0.3 N·m at 90 rpm is 2.8 W whatever is ridden. Where an effort
says whether the meter was zeroed before it, what that leaves open is added.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from statistics import NormalDist

import numpy as np
import polars as pl

from models.coaching.documents import CarriedEffort, CorrectedEffort, Difference, EffortAnswer
from models.metrology import Z90, Array, ratio_from_ln
from models.wording import chance, signed

U_ZEROED_NM, U_UNZEROED_NM = 0.03, 0.25  # standard uncertainty of the zero offset
USUAL_RPM = 90.0
ALIKE = 0.9


@dataclass(frozen=True)
class Effort:
    """Watts held on a meter (or a trainer) at an instant.

    dated_only: given as a day, without a time; zeroed: whether the meter was zeroed before it
    (None: not said)
    """

    at: datetime
    device_id: str
    watts: float
    seconds: float | None = None
    dated_only: bool = True
    cadence_rpm: float | None = None
    zeroed: bool | None = None

    def u_zero_w(self) -> float:
        """Return the standard uncertainty of the zero offset in W; 0 where nothing is said."""
        if self.zeroed is None:
            return 0.0
        torque = U_ZEROED_NM if self.zeroed else U_UNZEROED_NM
        return torque * 2 * math.pi * (self.cadence_rpm or USUAL_RPM) / 60


@dataclass(frozen=True)
class Carry:
    """A meter that an effort's watts are to be carried to, on a day."""

    meter_id: str
    on: date


def open_days(efforts: Sequence[Effort], steps: pl.DataFrame) -> list[str]:
    """Return what is to be said of efforts that lie where a step of their meter may have happened.

    In   steps: meter_id, earliest, latest (of `FleetFit.steps_between`)
    """
    told = []
    for meter, first, last in steps.iter_rows():
        days = sorted({e.at.date() for e in efforts if e.device_id == meter})
        among = [day.isoformat() for day in days if first < day < last]
        if among:
            told.append(
                f"{meter} stepped on a day between {first} and {last} that nobody knows. Whether "
                f"it had by {' and '.join(among)} is open, and the intervals hold both."
            )
    return told


def answer(efforts: Sequence[Effort], mean_ln: Array, covariance: Array) -> EffortAnswer:
    """Return the efforts corrected, and whether they differ.

    In  efforts: n of them; mean_ln [n], covariance [n, n]: joint gain errors, 100·ln
    """
    zero = np.array([100 * e.u_zero_w() / e.watts for e in efforts])
    covariance = covariance + np.diag(zero**2)
    corrected = corrected_watts(np.array([e.watts for e in efforts]), mean_ln)
    differences = [
        _difference(efforts, corrected, covariance, start, end)
        for start in range(len(efforts))
        for end in range(start + 1, len(efforts))
    ]
    return {
        "efforts": [
            _one(effort, watts, float(mean), math.sqrt(max(0.0, float(covariance[i, i]))))
            for i, (effort, watts, mean) in enumerate(
                zip(efforts, corrected.tolist(), mean_ln, strict=True)
            )
        ],
        "differences": differences,
        "text": _together(efforts, differences),
    }


def _together(efforts: Sequence[Effort], differences: list[Difference]) -> str | None:
    """Say whether all meters moved alike, where two or more were ridden at least twice."""
    turns: dict[str, list[int]] = {}
    for k, effort in enumerate(efforts):
        turns.setdefault(effort.device_id, []).append(k)
    between = {(row["from"], row["to"]): row["p_increase"] for row in differences}
    moved = {name: between[k[0], k[-1]] for name, k in turns.items() if len(k) > 1}
    if len(moved) < 2:
        return None
    names = ", ".join(moved)
    for sure, word in ((min(moved.values()), "rose"), (1 - max(moved.values()), "fell")):
        if sure >= ALIKE:
            return f"On {names} alike the watts {word}: that is the rider, not a meter."
    return f"{names} do not move alike: look at the meters before the rider."


def carried(
    efforts: Sequence[Effort], targets: Sequence[Carry], mean_ln: Array, covariance: Array
) -> list[CarriedEffort]:
    """Return what the same watts show on other meters: a threshold goes from one bike to another.

    In   mean_ln [n + m], covariance: joint gain errors of n efforts, then of m targets
    """
    n = len(efforts)
    rows: list[CarriedEffort] = []
    for i, effort in enumerate(efforts):
        for k, target in enumerate(targets, start=n):
            change = float(mean_ln[k] - mean_ln[i])
            variance = float(covariance[k, k] + covariance[i, i] - 2 * covariance[i, k])
            variance += (100 * effort.u_zero_w() / effort.watts) ** 2
            half = Z90 * math.sqrt(max(variance, 0.0))
            shown, low, high = (
                effort.watts * ratio_from_ln(change + step) for step in (0.0, -half, half)
            )
            rows.append(
                {
                    "from": i,
                    "meter_id": target.meter_id,
                    "date": target.on,
                    "shown_w": shown,
                    "interval90_w": [low, high],
                    "text": f"{effort.watts:.0f} W on {effort.device_id} ({effort.at:%Y-%m-%d}) "
                    f"are {shown:.0f} W on {target.meter_id} on {target.on} ({low:.0f} to "
                    f"{high:.0f}).",
                }
            )
    return rows


def with_both_legs(
    row: CorrectedEffort, rider_id: str | None, mean_ln: float, sd_ln: float
) -> CorrectedEffort:
    """Return an effort with what both legs did together, of a meter that sees the left one only.

    In   mean_ln, sd_ln: gain error and the rider's part together (`FleetFit.with_rider`)
    """
    total, low, high = (
        row["watts"] * ratio_from_ln(-(mean_ln + step)) for step in (0, Z90 * sd_ln, -Z90 * sd_ln)
    )
    return {
        **row,
        "rider_id": rider_id,
        "rider_total_w": total,
        "rider_total_interval90_w": [low, high],
    }


def corrected_watts(watts: Array, mean_ln: Array) -> Array:
    """Return what an errorless meter would have shown. Both [n]; error in 100·ln."""
    return np.asarray(watts * ratio_from_ln(-mean_ln))


def _one(effort: Effort, corrected: float, mean: float, sd: float) -> CorrectedEffort:
    low, high = (effort.watts * ratio_from_ln(-(mean + sign * Z90 * sd)) for sign in (1, -1))
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
) -> Difference:
    pair = [start, end]
    gradient = corrected[pair] / 100.0 * np.array([1.0, -1.0])  # d(difference) / d(e)
    sd = math.sqrt(max(0.0, float(gradient @ covariance[np.ix_(pair, pair)] @ gradient)))
    shown = efforts[end].watts - efforts[start].watts
    real = float(corrected[end] - corrected[start])
    p_increase = NormalDist().cdf(real / sd) if sd > 0 else float(real > 0)
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


def _sentence(shown: float, real: float, sd: float, p_increase: float) -> str:
    split = (
        f"of {signed(shown)} W shown, the meter made {signed(shown - real)} and the rider "
        f"{signed(real)}"
    )
    if p_increase >= 0.95:
        return f"A real gain: {split} (± {Z90 * sd:.0f}); {chance(p_increase)} sure that it rose."
    if p_increase <= 0.05:
        return (
            f"A real loss: {split} (± {Z90 * sd:.0f}); {chance(1 - p_increase)} sure that it fell."
        )
    return (
        f"Within the meters' own errors: {split}, give or take "
        f"{Z90 * sd:.0f}; the chance that it rose is {chance(p_increase)}."
    )
