"""The coach's question: what an errorless meter would have shown, and whether a gain is real.

Two figures. What the sensor should have shown: shown watts × exp(−e/100), e the meter's gain
error in 100·ln. What the rider put out: the legs that a one-sided meter does not see, an oval
ring and a chain taken out too; that one says whether a gain is real. The uncertainty of a
difference is the joint one: two efforts on one meter share most of its error, two meters checked
on one mass set share some, two days of one rider on the left leg share the legs.
"""

import math
from collections.abc import Sequence
from statistics import NormalDist

import numpy as np
import polars as pl

from models.coaching.documents import CarriedEffort, CorrectedEffort, Difference, EffortAnswer
from models.coaching.effort_days import Carry, Effort, Joint
from models.metrology import Z90, Array, ratio_from_ln
from models.wording import chance, signed

ALIKE = 0.9
SURE = 0.95
TELLING_ROAD_PCT = 0.05  # less of legs, ring and chain is not worth a word


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


def answer(efforts: Sequence[Effort], sensor: Joint, rider: Joint | None = None) -> EffortAnswer:
    """Return the efforts corrected, and whether they differ.

    In  efforts: n of them; sensor: over what an errorless meter would have shown; rider: over the
        rider's watts (None: the same, nothing but the sensor stands between)
    """
    rider = rider or sensor
    differences = [
        _difference(efforts, sensor, rider, start, end)
        for start in range(len(efforts))
        for end in range(start + 1, len(efforts))
    ]
    return {
        "efforts": [_one(effort, sensor, rider, i) for i, effort in enumerate(efforts)],
        "differences": differences,
        "text": _together(efforts, differences),
    }


def _together(efforts: Sequence[Effort], differences: list[Difference]) -> str | None:
    """Say whether all meters moved alike, where two or more were ridden at least twice."""
    turns: dict[str, list[int]] = {}
    for k, effort in enumerate(efforts):
        turns.setdefault(effort.device_id, []).append(k)
    between = {(row["from"], row["to"]): row["rider_p_increase"] for row in differences}
    moved = {name: between[k[0], k[-1]] for name, k in turns.items() if len(k) > 1}
    if len(moved) < 2:
        return None
    names = ", ".join(moved)
    for sure, word in ((min(moved.values()), "rose"), (1 - max(moved.values()), "fell")):
        if sure >= ALIKE:
            return f"On {names} alike the watts {word}: that is the rider, not a meter."
    return f"{names} do not move alike: look at the meters before the rider."


def carried(
    efforts: Sequence[Effort], targets: Sequence[Carry], sensor: Joint, rider: Joint | None = None
) -> list[CarriedEffort]:
    """Return what the same watts show on other meters: a threshold goes from one bike to another.

    In   sensor, rider: of n efforts, then of m targets (see `answer`)
    """
    rider = rider or sensor
    rows: list[CarriedEffort] = []
    for i, effort in enumerate(efforts):
        for k, target in enumerate(targets, start=len(efforts)):
            shown, low, high = _shown_on(effort, rider, i, k)
            rows.append(
                {
                    "from": i,
                    "meter_id": target.meter_id,
                    "date": target.on,
                    "shown_w": shown,
                    "interval90_w": [low, high],
                    "sensor_w": _shown_on(effort, sensor, i, k)[0],
                    "text": f"{effort.watts:.0f} W on {effort.device_id} ({effort.at:%Y-%m-%d}) "
                    f"are {shown:.0f} W on {target.meter_id} on {target.on} ({low:.0f} to "
                    f"{high:.0f}).",
                }
            )
    return rows


def _shown_on(effort: Effort, joint: Joint, i: int, k: int) -> tuple[float, float, float]:
    mean, covariance = joint
    change = float(mean[k] - mean[i])
    variance = float(covariance[k, k] + covariance[i, i] - 2 * covariance[i, k])
    half = Z90 * math.sqrt(max(variance, 0.0))
    shown, low, high = (effort.watts * ratio_from_ln(change + x) for x in (0.0, -half, half))
    return shown, low, high


def with_both_legs(row: CorrectedEffort, rider_id: str | None) -> CorrectedEffort:
    """Return an effort of a meter that sees the left leg only, and who rode it."""
    return {
        **row,
        "rider_id": rider_id,
        "rider_total_w": row["rider_w"],
        "rider_total_interval90_w": row["rider_interval90_w"],
    }


def corrected_watts(watts: Array, mean_ln: Array) -> Array:
    """Return what an errorless meter would have shown. Both [n]; error in 100·ln."""
    return np.asarray(watts * ratio_from_ln(-mean_ln))


def _one(effort: Effort, sensor: Joint, rider: Joint, i: int) -> CorrectedEffort:
    corrected, ends = _true_watts(effort, sensor, i)
    put_out, rider_ends = _true_watts(effort, rider, i)
    text = (
        f"{effort.device_id} showed {effort.watts:.0f} W; an errorless meter would have shown "
        f"{corrected:.0f} W ({ends[0]:.0f} to {ends[1]:.0f})"
    )
    if _on_the_road(sensor, rider, i):
        text += f", and the rider put out {put_out:.0f} W ({rider_ends[0]:.0f} to "
        text += f"{rider_ends[1]:.0f})"
    return {
        "date": effort.at.date() if effort.dated_only else effort.at,
        "meter_id": effort.device_id,
        "watts": effort.watts,
        "seconds": effort.seconds,
        "corrected_w": corrected,
        "interval90_w": ends,
        "rider_w": put_out,
        "rider_interval90_w": rider_ends,
        "text": f"{text}.",
    }


def _true_watts(effort: Effort, joint: Joint, i: int) -> tuple[float, list[float]]:
    mean, sd = float(joint[0][i]), math.sqrt(max(0.0, float(joint[1][i, i])))
    true, low, high = (
        effort.watts * ratio_from_ln(-(mean + step)) for step in (0.0, Z90 * sd, -Z90 * sd)
    )
    return true, [low, high]


def _on_the_road(sensor: Joint, rider: Joint, i: int) -> bool:
    """Return whether legs, ring or chain stand between this effort's sensor and the rider."""
    moved = abs(float(rider[0][i] - sensor[0][i]))
    wider = float(rider[1][i, i] - sensor[1][i, i])
    return moved > TELLING_ROAD_PCT or wider > TELLING_ROAD_PCT**2


def _difference(
    efforts: Sequence[Effort], sensor: Joint, rider: Joint, start: int, end: int
) -> Difference:
    shown = efforts[end].watts - efforts[start].watts
    corrected, sensor_sd = _change(efforts, sensor, start, end)
    real, sd = _change(efforts, rider, start, end)
    p = _p_increase(real, sd)
    step = max(efforts[start].step_w, efforts[end].step_w)
    on_road = _on_the_road(sensor, rider, start) or _on_the_road(sensor, rider, end)
    return {
        "from": start,
        "to": end,
        "watts": shown,
        "corrected_w": corrected,
        "interval90_w": [corrected - Z90 * sensor_sd, corrected + Z90 * sensor_sd],
        "meter_part_w": shown - corrected,
        "p_increase": _p_increase(corrected, sensor_sd),
        "rider_w": real,
        "rider_interval90_w": [real - Z90 * sd, real + Z90 * sd],
        "road_part_w": corrected - real,
        "rider_p_increase": p,
        "resolution_w": step,
        "text": _sentence(shown, corrected, real, sd, p, step=step, on_road=on_road),
    }


def _change(efforts: Sequence[Effort], joint: Joint, start: int, end: int) -> tuple[float, float]:
    """Return the change of the true watts from one effort to another, and its sd, W."""
    pair = [start, end]
    watts = np.array([efforts[k].watts for k in pair])
    true = corrected_watts(watts, joint[0][pair])
    gradient = true / 100.0 * np.array([1.0, -1.0])  # d(difference) / d(e)
    variance = float(gradient @ joint[1][np.ix_(pair, pair)] @ gradient)
    return float(true[1] - true[0]), math.sqrt(max(0.0, variance))


def _p_increase(change: float, sd: float) -> float:
    return NormalDist().cdf(change / sd) if sd > 0 else float(change > 0)


def _sentence(
    shown: float, corrected: float, real: float, sd: float, p: float, *, step: float, on_road: bool
) -> str:
    road = f", legs, ring and chain {signed(corrected - real)}" if on_road else ""
    split = (
        f"of {signed(shown)} W shown, the meter made {signed(shown - corrected)}{road} and the "
        f"rider {signed(real)}"
    )
    give = f"{Z90 * sd:.0f}"
    if abs(real) < step:
        return f"No change that watts shown to {step:g} W can tell: {split}, give or take {give}."
    if p >= SURE:
        return f"A real gain: {split} (± {give}); {chance(p)} sure that it rose."
    if p <= 1 - SURE:
        return f"A real loss: {split} (± {give}); {chance(1 - p)} sure that it fell."
    return (
        f"Within what meters and their days leave open: {split}, give or take {give}; the chance "
        f"that it rose is {chance(p)}."
    )
