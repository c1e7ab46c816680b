"""What was forecast of a pair's sides before a session: a pair is within as its worse side is."""

import numpy as np
import polars as pl

from models.metrology import DAYS_A_YEAR, percent_from_ln, percent_sd
from models.status import p_within


def by_worse_side(told: pl.DataFrame, sessions: pl.DataFrame) -> pl.DataFrame:
    """Return forecasts with each pair's chance lowered to its worse side's.

    What the sides lay apart when the session before left them is carried forward, as `status`
    does it (models.status.sides); where none did, a pair is forecast as its mean.

    In   told, by session_id: forecast_ln, sd_ln, side_walk_ln, side_drift_ln (100·ln, per root
         year and per year), found_pct, tolerance_pct, p_within_tolerance
         sessions: `session_frame`; without its columns of sides there is no pair
    Out  the same rows with p_within_tolerance, and worst_pct: the size of what was found, of a
         pair on its worse side, %
    """
    if "side_half_ln" not in sessions.columns:
        return told.with_columns(worst_pct=pl.col("found_pct").abs())
    rows = told.join(_apart(sessions), on="session_id", how="left", maintain_order="left")
    aged = pl.col("side_walk_ln") ** 2 * pl.col("years")
    aged += (pl.col("side_drift_ln") * pl.col("years")) ** 2
    sd = (pl.col("sd_ln") ** 2 + pl.col("u_then") ** 2 + pl.col("u_now") ** 2 + aged).sqrt()
    p = rows["p_within_tolerance"].to_numpy()
    for sign in (1.0, -1.0):
        mean = pl.col("forecast_ln") + sign * pl.col("half_then")
        side = rows.select(percent_from_ln(mean), sd=percent_sd(mean, sd), limit="tolerance_pct")
        p = np.fmin(p, p_within(*(side.cast(pl.Float64)[:, k].to_numpy() for k in range(3))))
    found, half = pl.col("found_pct"), pl.col("half_now_pct")
    return rows.select(
        *told.drop("p_within_tolerance").columns,
        pl.max_horizontal(found.abs(), (found + half).abs(), (found - half).abs()).alias(
            "worst_pct"
        ),
        pl.Series("p_within_tolerance", p, dtype=pl.Float64),
    )


def _apart(sessions: pl.DataFrame) -> pl.DataFrame:
    """Return, of each pair's session, half of left − right when the one before left it, and now."""
    before = pl.col("side_half_ln", "u_side_half_pct", "measured_at").shift(1).over("meter_id")
    then = before.name.suffix("_then")
    return (
        sessions.filter(pl.col("side_half_ln").is_finite())
        .sort("measured_at")
        .with_columns(then)
        .filter(pl.col("side_half_ln_then").is_not_null())
        .select(
            "session_id",
            half_then="side_half_ln_then",
            u_then="u_side_half_pct_then",
            half_now_pct=pl.col("arm_difference_pct") / 2,
            u_now="u_side_half_pct",
            years=(pl.col("measured_at") - pl.col("measured_at_then")).dt.total_days()
            / DAYS_A_YEAR,
        )
    )
