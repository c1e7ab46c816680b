"""An aligned pair as lists short enough to draw."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl

from models.metrology import Array, Index

MOST_POINTS = 1500
FEWEST_OUT_S = 5  # shorter stretches that were left out would only be specks


def drawn(aligned: pl.DataFrame) -> dict[str, Any]:
    """What a chart of a compared ride shows.

    In   `Comparison.aligned`
    Out  minute, meter_w, reference_w   both traces by the meter's clock, means over equal parts
         left_out     [{"from_minute", "to_minute", "reason"}]: stretches that do not count
         mean_of_two_w, difference_w     of the seconds that count, with the same smoothing, at
                                         most MOST_POINTS of them evenly
         and all four again as shares of the reference's mean power, in percent, for those whose
         business no rider's watts are: meter_pct, reference_pct, mean_of_two_pct, difference_pct
    """
    minute = _minutes(aligned)
    step = aligned.height // MOST_POINTS + 1
    part = np.arange(aligned.height) // step
    used = aligned.filter("used")
    used = used.gather_every(used.height // MOST_POINTS + 1)
    first, second = used["matched_meter_w"], used["matched_reference_w"]
    traces = {
        "meter": _means(_numbers(aligned["meter_w"]), part),
        "reference": _means(_numbers(aligned["reference_w"]), part),
        "mean_of_two": ((first + second) / 2).round(1).to_list(),
        "difference": (first - second).round(1).to_list(),
    }
    typical = float(aligned.filter("used")["matched_reference_w"].mean() or 100.0)  # type: ignore[arg-type]
    return {
        "minute": _means(minute, part),
        "left_out": _left_out(minute, aligned["reason"].to_list()),
        **{f"{name}_w": values for name, values in traces.items()},
        **{f"{name}_pct": _shares(values, typical) for name, values in traces.items()},
    }


def _shares(values: list[float | None], whole: float) -> list[float | None]:
    return [None if value is None else round(100 * value / whole, 1) for value in values]


def _minutes(aligned: pl.DataFrame) -> Array:
    time = aligned["time"]
    seconds = time.dt.epoch("us") / 1e6 if time.dtype.is_temporal() else time.cast(pl.Float64)
    values = seconds.to_numpy()
    return np.asarray((values - values[0]) / 60 if len(values) else values, dtype=np.float64)


def _numbers(values: pl.Series) -> Array:
    return values.cast(pl.Float64).fill_null(float("nan")).to_numpy()


def _means(values: Array, part: Index) -> list[float | None]:
    """Mean of each part; None where nothing is known in it."""
    known = np.isfinite(values)
    total = np.bincount(part, np.where(known, values, 0.0))
    count = np.bincount(part, known)
    return [round(float(t / n), 2) if n else None for t, n in zip(total, count, strict=True)]


def _left_out(minute: Array, reasons: list[str | None]) -> list[dict[str, Any]]:
    """Stretches of at least FEWEST_OUT_S in which no second counts, by their main reason."""
    out = np.array([reason is not None for reason in reasons], dtype=np.int8)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], out, [0]])))
    stretches = []
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
