"""Estimate how the sensors of each model group drift with age and at battery swaps.

The sensor's own sensitivity is what the meter would read had its slope never been touched:
s = found gain error + p, in 100·ln, p the slope programmed when it was found. So a meter that is
reset at every visit still shows that it drifts.
"""

from collections.abc import Sequence
from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl

from ingest.schema import typed_columns
from models.ageing.mixed import (
    MEAN_DRIFT_SD,
    MEAN_SD,
    MEAN_SWAP_SD,
    Line,
    Panel,
    fit_mixed,
    fit_prior,
)
from models.metrology import DAYS_A_YEAR, FEW_METERS, INFINITE, Array, coverage_factor
from models.records import programmed

_DRIFT = ("drift_pct_per_year", "u_drift_pct_per_year", "drift_lo90", "drift_hi90")
_SWAP = ("swap_pct", "u_swap_pct", "swap_lo90", "swap_hi90")
_SPREAD = ("sd_sensitivity_pct", "sd_drift_pct_per_year", "correlation")
DRIFT_SCHEMA: dict[str, type[pl.DataType]] = {
    **{"model_group": pl.String, "n_meters": pl.Int64, "n_sessions": pl.Int64},
    **dict.fromkeys(("mean_age_years", "sensitivity_pct", "u_sensitivity_pct"), pl.Float64),
    **dict.fromkeys((*_DRIFT, *_SWAP), pl.Float64),
    "n_swaps": pl.Int64,
    **dict.fromkeys((*_SPREAD, "sd_residual_pct", "u_session_pct"), pl.Float64),
    **{"method": pl.String, "reason": pl.String},
}


class _Group(NamedTuple):
    name: str
    panel: Panel
    n_swaps: int
    mean_age: float | None
    least: int  # meters with two sessions or more


def drift_table(
    sessions: pl.DataFrame,
    resets: pl.DataFrame,
    meters: pl.DataFrame,
    swaps: pl.DataFrame,
    *,
    today: date,
) -> pl.DataFrame:
    """Return sensor drift by model group against age and battery swaps.

    In   sessions: session_id, meter_id, measured_at, gain_error_ln, u_session_pct, and where
         known u_bench_pct with bench_id, u_place_pct with place_id (as from models.bench)
         resets: as from models.records.slope_chain
         meters: meter_id, kind, model_group, in_service_date
         swaps: meter_id, date (a swap happens at the start of its day)
         Sessions after today are left out.
    Out  DRIFT_SCHEMA, one row a group (model_group, else the kind), all in 100·ln (percent,
         nearly): sensitivity_pct is the mean at mean_age_years; drift with age; step at a swap
         (null where the group has no swap between its sessions); sd_* the spread between
         meters, correlation that of sensitivity at mean age and drift; sd_residual_pct the scatter
         of a session about its meter's line, u_session_pct (rms) the part of it that the
         sessions' own budgets explain; intervals of 90 %.

    method "mixed": statsmodels' MixedLM, REML, random intercept and slope per meter, time
    centred. It takes no known variances, so the sessions' own random uncertainty acts through
    the residual variance it estimates, and what the mass set and the place (shared by many
    sessions) do to the estimates is added by propagation through the same weights; the crank's
    and the meter's constant parts are inside the spread between meters. Student's t with
    meters − 1 degrees of freedom.
    method "prior": fewer than FEW_METERS meters with two sessions, a singular or unconverged
    fit: the same model with the weak priors of models.ageing.mixed; reason says why.
    """
    rows = _session_rows(sessions, resets, meters, swaps, today=today)
    names = meters.select(_group_name()).to_series().unique().sort()
    groups = [_group(name, rows.filter(pl.col("model_group") == name)) for name in names]
    return pl.DataFrame([_row(group) for group in groups], schema=DRIFT_SCHEMA)


def _group_name() -> pl.Expr:
    return pl.coalesce("model_group", "kind").alias("model_group")


def _session_rows(
    sessions: pl.DataFrame,
    resets: pl.DataFrame,
    meters: pl.DataFrame,
    swaps: pl.DataFrame,
    *,
    today: date,
) -> pl.DataFrame:
    """Return sessions with sensitivity, age in years, number of swaps so far and group."""
    shared = {
        "bench_id": pl.String,
        "place_id": pl.String,
        "u_bench_pct": pl.Float64,
        "u_place_pct": pl.Float64,
    }
    used = sessions.filter(
        pl.col("gain_error_ln").is_finite() & (pl.col("measured_at").dt.date() <= today)
    ).select(
        "meter_id",
        "gain_error_ln",
        "u_session_pct",
        pl.col("measured_at").alias("at"),
        *typed_columns(sessions, shared),
    )
    about = meters.select("meter_id", "in_service_date", _group_name())
    first = pl.col("at").dt.date().min().over("meter_id")
    start = pl.coalesce("in_service_date", first)
    return (
        _without_unknowable(programmed(resets, used), resets)
        .join(about, on="meter_id", how="inner")
        .pipe(_with_swaps, swaps)
        .with_columns(
            sensitivity=pl.col("gain_error_ln") + pl.col("p_before"),
            age=(pl.col("at").dt.date() - start).dt.total_days() / DAYS_A_YEAR,
        )
        .sort("meter_id", "at")
    )


def _without_unknowable(rows: pl.DataFrame, resets: pl.DataFrame) -> pl.DataFrame:
    """Leave out sessions up to a reset whose size nobody knows: their p is unknown."""
    unknown = (
        resets.filter(pl.col("step_pct").is_null())
        .group_by("meter_id")
        .agg(pl.col("latest").max().alias("_unknown_until"))
    )
    joined = rows.join(unknown, on="meter_id", how="left", maintain_order="left")
    known = pl.col("_unknown_until").is_null() | (pl.col("at") > pl.col("_unknown_until"))
    return joined.filter(known).drop("_unknown_until")


def _with_swaps(rows: pl.DataFrame, swaps: pl.DataFrame) -> pl.DataFrame:
    """Add n_swaps: swaps of the meter up to and on the session's day."""
    counted = (
        swaps.select("meter_id", pl.col("date").cast(pl.Date).alias("_day"))
        .unique()
        .sort("_day")
        .with_columns(n_swaps=(pl.int_range(pl.len()) + 1).over("meter_id").cast(pl.Int64))
    )
    return (
        rows.with_columns(_day=pl.col("at").dt.date())
        .sort("_day")
        .join_asof(counted, on="_day", by="meter_id", check_sortedness=False)
        .with_columns(pl.col("n_swaps").fill_null(0))
        .drop("_day")
    )


def _group(name: str, rows: pl.DataFrame) -> _Group:
    meter = (rows["meter_id"].rank("dense").cast(pl.Int64) - 1).to_numpy()
    age = rows["age"].to_numpy()
    mean_age = float(age.mean()) if age.size else None
    time = age - (mean_age or 0.0)
    columns = [np.ones(age.size), time]
    count = rows["n_swaps"].cast(pl.Float64).to_numpy()
    swaps = pl.col("n_swaps")
    since_first = rows.select((swaps - swaps.min().over("meter_id")).cast(pl.Float64)).to_series()
    n_swaps = int(rows.group_by("meter_id").agg(swaps.max() - swaps.min())["n_swaps"].sum())
    if since_first.sum() > 0:
        columns.append(count - count.mean())
    panel = Panel(
        y=rows["sensitivity"].to_numpy(),
        fixed=np.column_stack(columns),
        time=time,
        meter=meter,
        known_variance=rows["u_session_pct"].fill_null(0.0).to_numpy() ** 2,
        shared=np.hstack([_shared(rows, part) for part in ("bench", "place")]),
    )
    least = int((rows.group_by("meter_id").len()["len"] >= 2).sum())
    return _Group(name, panel, n_swaps, mean_age, least)


def _shared(rows: pl.DataFrame, part: str) -> Array:
    """Return each session's share of each mass set's or place's error, [sessions, n]."""
    which = rows[f"{part}_id"].fill_null("")
    size = rows[f"u_{part}_pct"].fill_null(0.0).to_numpy()
    names = which.unique(maintain_order=True)
    return np.column_stack(
        [np.zeros((rows.height, 0)), *(size * (which == name).to_numpy() for name in names)]
    )


def _row(group: _Group) -> dict[str, object]:
    line, method, reason = _fit(group)
    panel = group.panel
    u = np.sqrt(np.diag(line.cov))
    t = coverage_factor(panel.n_meters - 1 if method == "mixed" else INFINITE, level=0.90)
    sd0, sd1 = np.sqrt(np.maximum(np.diag(line.random_cov), 0.0))
    row: dict[str, object] = {
        "model_group": group.name,
        "n_meters": panel.n_meters,
        "n_sessions": panel.y.size,
        "mean_age_years": group.mean_age,
        "sensitivity_pct": line.beta[0],
        "u_sensitivity_pct": u[0],
        "n_swaps": group.n_swaps,
        "sd_sensitivity_pct": sd0,
        "sd_drift_pct_per_year": sd1,
        "correlation": line.random_cov[0, 1] / (sd0 * sd1) if method == "mixed" else None,
        "sd_residual_pct": line.residual_sd,
        "u_session_pct": float(np.sqrt(panel.known_variance.mean())) if panel.y.size else None,
        "method": method,
        "reason": reason,
    }
    for k, keys in enumerate((_DRIFT, _SWAP), start=1):
        row |= _interval(keys, k, line=line, t=t)
    return row


def _interval(keys: Sequence[str], k: int, *, line: Line, t: float) -> dict[str, object]:
    if k >= line.beta.size:
        return dict.fromkeys(keys)
    value, u = float(line.beta[k]), float(np.sqrt(line.cov[k, k]))
    return dict(zip(keys, [value, u, value - t * u, value + t * u], strict=True))


def _fit(group: _Group) -> tuple[Line, str, str | None]:
    panel = group.panel
    why = _too_few(group)
    if why is None:
        line = fit_mixed(panel)
        if not line.trouble:
            return line, "mixed", None
        why = "; ".join(line.trouble)
    mean_sd = np.array([MEAN_SD, MEAN_DRIFT_SD, MEAN_SWAP_SD])[: panel.fixed.shape[1]]
    if panel.y.size == 0:
        return fit_prior(panel, mean_sd=mean_sd), "prior", "No bench session: only the prior."
    reason = f"{why[0].upper()}{why[1:]}: estimated with weak priors."
    return fit_prior(panel, mean_sd=mean_sd), "prior", reason


def _too_few(group: _Group) -> str | None:
    panel = group.panel
    if group.least < FEW_METERS:
        return (
            f"{group.least} meter{'' if group.least == 1 else 's'} with two sessions or more, "
            f"the mixed model needs {FEW_METERS}"
        )
    if np.linalg.matrix_rank(panel.fixed) < panel.fixed.shape[1]:
        return "age and battery swaps go in step and cannot be told apart"
    if panel.y.size < panel.n_meters + panel.fixed.shape[1]:
        return "too few sessions per meter"
    return None
