"""The documents of `status` and `history`, from frames.

Errors come in as 100·ln and leave as plain percent.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import polars as pl

Z90 = 1.6448536269514722  # 95 % quantile of the standard normal: ends of a 90 % interval


def percent(error_ln: float) -> float:
    """Plain percent of an error in 100·ln."""
    return 100.0 * math.expm1(error_ln / 100.0)


def percent_sd(error_ln: float, sd_ln: float) -> float:
    """Standard deviation in plain percent of an error known in 100·ln."""
    return sd_ln * math.exp(error_ln / 100.0)


def interval90(error_ln: float, sd_ln: float) -> list[float]:
    """90 % interval in plain percent of an error known in 100·ln."""
    return [percent(error_ln - Z90 * sd_ln), percent(error_ln + Z90 * sd_ln)]


def device_rows(
    frame: pl.DataFrame, key: str, alarms: Mapping[str, list[dict[str, Any]]]
) -> list[dict[str, Any]]:
    """References or mass sets of `status`: gain error, its sd, alarms.

    In  one row a device: the key column, mean_ln, sd_ln, and whatever else is to be shown
    """
    rows = []
    for row in frame.sort(key).to_dicts():
        mean, sd = row.pop("mean_ln"), row.pop("sd_ln")
        known = mean is not None and sd is not None
        rows.append(
            row
            | {
                "gain_error_pct": percent(mean) if known else None,
                "gain_error_sd_pct": percent_sd(mean, sd) if known else None,
                "interval90_pct": interval90(mean, sd) if known else None,
                "alarms": alarms.get(row[key], []),
            }
        )
    return rows


def alarms_by_device(alarms: pl.DataFrame, device_kind: str) -> dict[str, list[dict[str, Any]]]:
    """The alarms of one kind of device, newest first, keyed by its id."""
    out: dict[str, list[dict[str, Any]]] = {}
    for row in (
        alarms.filter(pl.col("device_kind") == device_kind).sort("date", descending=True).to_dicts()
    ):
        del row["device_kind"]
        out.setdefault(row.pop("device_id"), []).append(row)
    return out


def points(dates: Iterable[Any], mean_ln: np.ndarray, sd_ln: np.ndarray) -> list[dict[str, Any]]:
    """A curve of `history`: date, gain error, sd and 90 % ends in plain percent."""
    rows = []
    for day, mean, sd in zip(dates, mean_ln.tolist(), sd_ln.tolist(), strict=True):
        low, high = interval90(mean, sd)
        rows.append(
            {
                "date": day,
                "gain_error_pct": percent(mean),
                "sd_pct": percent_sd(mean, sd),
                "lo90_pct": low,
                "hi90_pct": high,
            }
        )
    return rows
