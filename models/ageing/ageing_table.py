"""Tell a manager how each group of meters ages: drift, share found out, time to go out."""

from datetime import date
from typing import TypedDict

import numpy as np
import polars as pl

from models.ageing.survival import time_to_out_table
from models.metrology import effective_number, proportion
from models.records import typed_rows


class GroupAgeing(TypedDict):
    """How one group ages; an unknown number is None, an unknown interval [None, None]."""

    group: str
    meters: int
    drift_pct_per_year: float | None
    drift_interval90: list[float | None]
    drift_method: str | None
    drift_reason: str | None
    sessions: int
    found_out: int
    out_share: float | None
    out_share_interval90: list[float]
    within_1y: float | None
    within_1y_interval90: list[float | None]
    reliable_years: float | None
    reliable_years_interval90: list[float | None]
    time_method: str | None
    time_reason: str | None


def group_table(
    sessions: pl.DataFrame,
    meters: pl.DataFrame,
    population: pl.DataFrame,
    *,
    today: date,
    target: float,
) -> list[GroupAgeing]:
    """Return a row a group of the roster.

    In   sessions: session_results; meters: the roster; population: as from `drift_table`
    Out  group, meters, sessions, drift_pct_per_year with its 90 % interval (how: method and
         reason), out_share (share of sessions that found the meter out) with Wilson's interval
         on the effective number of sessions, within_1y (share of meters not yet out after a
         year, interval-censored) and reliable_years (until the share falls to the target) with
         intervals (how: time_method, time_reason)
    """
    about = meters.select("meter_id", "tolerance_pct", model_group="group")
    known = sessions.filter(pl.col("measured_at").dt.date() <= today)
    known = known.drop("tolerance_pct", "model_group", strict=False).join(about, on="meter_id")
    times = time_to_out_table(
        known.drop("tolerance_pct", "model_group"), meters, today=today, reliability=target
    )
    here = meters.filter(~pl.col("gone")).group_by(model_group="group").len("meters")
    groups = meters.select(model_group="group").unique().sort("model_group")
    for part in (here, _drift(population), _out(known), _time(times)):
        groups = groups.join(part, on="model_group", how="left", maintain_order="left")
    rows = groups.select(
        pl.col("model_group").alias("group"),
        pl.col("meters").fill_null(0),
        "drift_pct_per_year",
        _interval("drift_interval90"),
        *("drift_method", "drift_reason"),
        *(pl.col(name).fill_null(0) for name in ("sessions", "found_out")),
        "out_share",
        _interval("out_share_interval90", unknown=(0.0, 1.0)),
        "within_1y",
        _interval("within_1y_interval90"),
        "reliable_years",
        _interval("reliable_years_interval90"),
        "time_method",
        pl.when("benched").then("time_reason").otherwise(pl.lit("never benched")),
    )
    return typed_rows(rows, GroupAgeing)


def _interval(name: str, *, unknown: tuple[float | None, float | None] = (None, None)) -> pl.Expr:
    """Return both ends, in columns of the name and _lo or _hi, as one column of that name."""
    ends = zip((f"{name}_lo", f"{name}_hi"), unknown, strict=True)
    return pl.concat_list(
        pl.coalesce(end, pl.lit(other, dtype=pl.Float64)) for end, other in ends
    ).alias(name)


def _drift(population: pl.DataFrame) -> pl.DataFrame:
    return population.select(
        "model_group",
        "drift_pct_per_year",
        drift_interval90_lo="drift_lo90",
        drift_interval90_hi="drift_hi90",
        drift_method="method",
        drift_reason="reason",
    )


def _out(sessions: pl.DataFrame) -> pl.DataFrame:
    return share_out_of_tolerance(sessions).select(
        "model_group",
        "out_share",
        sessions="n_sessions",
        found_out="n_out",
        out_share_interval90_lo="out_share_lo",
        out_share_interval90_hi="out_share_hi",
    )


def _time(times: pl.DataFrame) -> pl.DataFrame:
    return times.select(
        "model_group",
        "within_1y",
        "reliable_years",
        within_1y_interval90_lo="within_1y_lo",
        within_1y_interval90_hi="within_1y_hi",
        reliable_years_interval90_lo="reliable_lo",
        reliable_years_interval90_hi="reliable_hi",
        time_method="method",
        time_reason="reason",
        benched=pl.lit(True),
    )


def share_out_of_tolerance(sessions: pl.DataFrame) -> pl.DataFrame:
    """Return the share of sessions that found the meter out of tolerance, by group.

    In   meter_id, gain_error_pct, tolerance_pct, model_group
    Out  model_group, n_sessions, n_meters, n_out, out_share, out_share_lo, out_share_hi (Wilson,
         90 %, on the effective number of sessions). What was found is the meter's error and the
         session's noise together.
    """
    used = sessions.filter(
        pl.col("gain_error_pct").is_finite() & pl.col("model_group").is_not_null()
    )
    rows = []
    for key in used["model_group"].unique().sort():
        group = used.filter(pl.col("model_group") == key)
        out = np.abs(group["gain_error_pct"].to_numpy()) > group["tolerance_pct"].to_numpy()
        meter = group["meter_id"].rank("dense").cast(pl.Int64).to_numpy() - 1
        n_effective = effective_number(out, meter)
        share = proportion(float(out.mean()) * n_effective, n_effective)
        rows.append(
            {
                "model_group": key,
                "n_sessions": group.height,
                "n_meters": int(meter.max()) + 1,
                "n_out": int(out.sum()),
                "out_share": share.share,
                "out_share_lo": share.lo,
                "out_share_hi": share.hi,
            }
        )
    counts = dict.fromkeys(["n_sessions", "n_meters", "n_out"], pl.Int64())
    shares = dict.fromkeys(["out_share", "out_share_lo", "out_share_hi"], pl.Float64())
    return pl.DataFrame(rows, schema={"model_group": pl.String(), **counts, **shares})
