"""An aligned pair as lists short enough to draw."""

from itertools import pairwise

import numpy as np
import polars as pl

from models.metrology import Array, Index
from models.rides.documents import Drawn, LeftOut, Trace

MOST_POINTS = 1500
FEWEST_OUT_S = 5  # shorter stretches that were left out would only be specks


def drawn(aligned: pl.DataFrame) -> Drawn:
    """Return what the charts of a compared ride show.

    aligned: `Comparison.aligned`. Differences are of at most MOST_POINTS seconds, evenly.
    """
    minute = _minutes(aligned)
    step = aligned.height // MOST_POINTS + 1
    part = np.arange(aligned.height) // step
    used = aligned.filter("used")
    typical = float(used["matched_reference_w"].mean() or 100.0)  # type: ignore[arg-type]
    used = used.gather_every(used.height // MOST_POINTS + 1)
    first, second = used["matched_meter_w"], used["matched_reference_w"]
    meter = _means(_numbers(aligned["meter_w"]), part)
    reference = _means(_numbers(aligned["reference_w"]), part)
    mean_of_two = ((first + second) / 2).round(1).to_list()
    difference = (first - second).round(1).to_list()
    return {
        "minute": _means(minute, part),
        "left_out": _left_out(minute, aligned["reason"].to_list()),
        "meter_w": meter,
        "reference_w": reference,
        "mean_of_two_w": mean_of_two,
        "difference_w": difference,
        "meter_pct": _shares(meter, typical),
        "reference_pct": _shares(reference, typical),
        "mean_of_two_pct": _shares(mean_of_two, typical),
        "difference_pct": _shares(difference, typical),
    }


def _shares(values: Trace, whole: float) -> Trace:
    return [None if value is None else round(100 * value / whole, 1) for value in values]


def _minutes(aligned: pl.DataFrame) -> Array:
    time = aligned["time"]
    seconds = time.dt.epoch("us") / 1e6 if time.dtype.is_temporal() else time.cast(pl.Float64)
    values = seconds.to_numpy()
    return np.asarray((values - values[0]) / 60 if len(values) else values, dtype=np.float64)


def _numbers(values: pl.Series) -> Array:
    return values.cast(pl.Float64).fill_null(float("nan")).to_numpy()


def _means(values: Array, part: Index) -> Trace:
    """Return the mean of each part; None where nothing is known in it."""
    known = np.isfinite(values)
    total = np.bincount(part, np.where(known, values, 0.0))
    count = np.bincount(part, known)
    return [round(float(t / n), 2) if n else None for t, n in zip(total, count, strict=True)]


def _left_out(minute: Array, reasons: list[str | None]) -> list[LeftOut]:
    """Return stretches of at least FEWEST_OUT_S in which no second counts, by main reason."""
    out = np.array([reason is not None for reason in reasons], dtype=np.int8)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], out, [0]])))
    stretches: list[LeftOut] = []
    for first, last in list(pairwise(edges.tolist()))[::2]:
        if last - first >= FEWEST_OUT_S:
            inside = [reason for reason in reasons[first:last] if reason]
            stretches.append(
                {
                    "from_minute": round(float(minute[first]), 2),
                    "to_minute": round(float(minute[last - 1]), 2),
                    "reason": max(set(inside), key=inside.count),
                }
            )
    return stretches
