"""How far the sides of a pair lie apart: each is a meter of its own, and one may be out alone.

The fleet model follows the mean of the sides. Half of what they differed by when the bench last
left them is carried forward; as each side ages by itself, it wanders and drifts as their mean does.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, NamedTuple, TypedDict

import numpy as np
import polars as pl

from ingest.schema import frame_schema
from models.metrology import DAYS_A_YEAR, Array, Index, ln_from_percent, percent_from_ln, percent_sd

if TYPE_CHECKING:
    from models.fleet import FleetFit


class Half(TypedDict):
    """Half of what a pair's left side reads above its right since a day, 100·ln.

    side_walk_ln, side_drift_ln: spread of what it wanders in a year, and of its drift a year
    """

    meter_id: str
    sides_on: date
    side_half_ln: float
    side_half_sd_ln: float
    side_walk_ln: float
    side_drift_ln: float


SIGNS = {"left": 1.0, "right": -1.0}


class SideForecast(NamedTuple):
    """The gain errors to be expected of pairs' sides, plain percent.

    rows: which meters are pairs, [pairs]; mean_pct, sd_pct: by side, [pairs, days]
    """

    rows: Index
    mean_pct: dict[str, Array]
    sd_pct: dict[str, Array]


def side_halves(sessions: pl.DataFrame, fleet: FleetFit) -> pl.DataFrame:
    """Return a row `Half` for each pair, as the bench last left it.

    In   sessions: `session_frame`; without its columns of sides there is no pair
    """
    schema = frame_schema(Half)
    if "side_half_ln" not in sessions.columns:
        return pl.DataFrame(schema=schema)
    devices = fleet.prepared.devices
    by_group = (fleet.hyper.sd("walk"), fleet.hyper.sd("drift"))
    aged = pl.DataFrame(
        {
            "meter_id": devices.meters,
            "side_walk_ln": by_group[0][devices.group],
            "side_drift_ln": by_group[1][devices.group],
        },
        schema_overrides={"meter_id": pl.String},
    )
    return (
        sessions.filter(pl.col("side_half_ln").is_finite())
        .sort("measured_at")
        .unique("meter_id", keep="last", maintain_order=True)
        .select(
            "meter_id",
            "side_half_ln",
            sides_on=pl.col("measured_at").dt.date(),
            side_half_sd_ln="u_side_half_pct",
        )
        .join(aged, on="meter_id")
        .select(pl.col(name).cast(kind) for name, kind in schema.items())
    )


def side_forecast(
    meters: pl.DataFrame, mean_pct: Array, sd_pct: Array, days: Index, *, as_of: date
) -> SideForecast:
    """Return what is to be expected of the sides.

    In   meters: with the columns of `Half`, null for what is no pair; mean_pct, sd_pct: of the
         whole [meters, days]; days: from as_of
    """
    pairs = meters.with_row_index("row").filter(pl.col("side_half_ln").is_not_null())
    rows = pairs["row"].to_numpy().astype(np.int64)
    half, u, walk, drift = (
        pairs[name].to_numpy()[:, None]
        for name in ("side_half_ln", "side_half_sd_ln", "side_walk_ln", "side_drift_ln")
    )
    since = pairs.select((pl.lit(as_of) - pl.col("sides_on")).dt.total_days()).to_series()
    age = np.maximum(since.to_numpy()[:, None] + days[None, :], 0) / DAYS_A_YEAR
    whole = ln_from_percent(mean_pct[rows])
    variance = (sd_pct[rows] / percent_sd(whole, np.ones_like(whole))) ** 2
    sd = np.sqrt(variance + u**2 + walk**2 * age + (drift * age) ** 2)
    means = {side: whole + sign * half for side, sign in SIGNS.items()}
    return SideForecast(
        rows,
        {side: percent_from_ln(mean) for side, mean in means.items()},
        {side: percent_sd(mean, sd) for side, mean in means.items()},
    )


def worse_side(half: Half, mean: Array, covariance: Array, days: list[date]) -> tuple[Array, Array]:
    """Return mean and covariance of a pair's worse side at some days, 100·ln, for its mean's.

    In   mean [days], covariance [days, days]
    """
    sign = 1.0 if mean[0] * half["side_half_ln"] >= 0 else -1.0
    age = np.array([max((day - half["sides_on"]).days, 0) for day in days]) / DAYS_A_YEAR
    spread = half["side_half_sd_ln"] ** 2 + half["side_drift_ln"] ** 2 * np.outer(age, age)
    spread += half["side_walk_ln"] ** 2 * np.minimum(age[:, None], age[None, :])
    return mean + sign * half["side_half_ln"], covariance + spread
