"""Estimate the time to the first out-of-tolerance finding, which is seen only at sessions.

A meter found out at a session went out some time since the session before: the time is known to
lie in (lo, hi]. A meter never found out is known only to have lasted beyond its last session
(hi = ∞). Counting findings on the days they were made would flatter every group that is checked
seldom. Time counts from the first day in use. The meters are maintained ones: resets at the bench
meanwhile keep them within for longer than they would be if left alone.

The likelihood is written out here because scipy's fit of censored data, which finds the same
maximum to eight digits, gives no covariance of its estimates.
"""

from collections.abc import Callable
from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl

from models.metrology import DAYS_A_YEAR, Z90, Array

LEAST_OUT = 3
"""Meters that must have gone out before two parameters are fitted."""


class Weibull(NamedTuple):
    """S(t) = exp(−(t/scale)^shape); cov_log [2, 2]: of (ln scale, ln shape), nan where flat."""

    scale: float
    shape: float
    loglik: float
    cov_log: Array
    converged: bool


def fit_weibull(lo: Array, hi: Array, *, shape: float | None = None) -> Weibull:
    """Fit a Weibull distribution by maximum likelihood to times known to lie in (lo, hi], [n] each.

    lo ≥ 0; hi ≥ lo, infinite for "not yet"; lo = hi for an exact time. shape: held at a value
    (1: exponential). Without any finite hi the likelihood has no maximum: scale inf, converged
    False. ValueError: no times, or a wrong interval.
    """
    from scipy.optimize import minimize

    _check_intervals(lo, hi)
    if not np.isfinite(hi).any():
        return Weibull(np.inf, shape or 1.0, 0.0, np.full((2, 2), np.nan), False)
    middle = np.where(np.isfinite(hi), (lo + np.minimum(hi, 1e300)) / 2, lo)
    typical = float(middle.sum() / np.isfinite(hi).sum()) or 1.0

    def parameters(x: Array) -> tuple[float, float]:
        return float(x[0]), float(np.log(shape)) if shape is not None else float(x[1])

    def loss(x: Array) -> float:
        return -_weibull_loglik(lo, hi, *parameters(x))

    start = np.array([np.log(typical), 0.0][: 1 if shape is not None else 2])
    result = minimize(
        loss, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10, "maxiter": 2000}
    )
    log_scale, log_shape = parameters(result.x)
    cov = np.zeros((2, 2))
    free = result.x.size
    cov[:free, :free] = _inverse_curvature(loss, result.x)
    sound = bool(result.success) and bool(np.isfinite(cov).all())
    return Weibull(
        float(np.exp(log_scale)), float(np.exp(log_shape)), -float(result.fun), cov, sound
    )


def _check_intervals(lo: Array, hi: Array) -> None:
    bad = ~((lo >= 0) & (hi >= lo) & np.isfinite(lo))
    if lo.size == 0 or bad.any():
        found = "none" if lo.size == 0 else f"({lo[bad][0]:g}, {hi[bad][0]:g}]"
        raise ValueError(f"survival times: found {found}, expected intervals with 0 ≤ lo ≤ hi")


def weibull_survival(fit: Weibull, times: Array) -> tuple[Array, Array, Array]:
    """Return S(t) with its 90 % interval (normal on the ln(−ln S) scale), [n] each."""
    with np.errstate(divide="ignore"):
        log_time = np.log(times)
    log_hazard = fit.shape * (log_time - np.log(fit.scale))
    # d ln(−ln S) by (ln scale, ln shape)
    gradient = np.column_stack([np.full(times.size, -fit.shape), log_hazard])
    sd = np.sqrt(np.einsum("ti,ij,tj->t", gradient, fit.cov_log, gradient))
    middle, low, high = (np.exp(-np.exp(log_hazard + z * sd)) for z in (0.0, Z90, -Z90))
    return middle, low, high


def weibull_quantile(fit: Weibull, reliability: float) -> tuple[float, float, float]:
    """Return when S falls to the reliability, with its 90 % interval (on a log scale)."""
    log_hazard = float(np.log(-np.log(reliability)))
    log_time = np.log(fit.scale) + log_hazard / fit.shape
    gradient = np.array([1.0, -log_hazard / fit.shape])
    sd = float(np.sqrt(gradient @ fit.cov_log @ gradient))
    with np.errstate(over="ignore"):  # longer than any number: infinite
        lo, at, hi = (float(np.exp(log_time + z * sd)) for z in (-Z90, 0.0, Z90))
    return at, lo, hi


def _weibull_loglik(lo: Array, hi: Array, log_scale: float, log_shape: float) -> float:
    if abs(log_shape) > 5 or abs(log_scale) > 50:
        return -1e12 - abs(log_shape) - abs(log_scale)
    shape, scale = np.exp(log_shape), np.exp(log_scale)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        H_lo, H_hi = (lo / scale) ** shape, (hi / scale) ** shape
        density = log_shape + (shape - 1) * np.log(lo) - shape * log_scale - H_lo
        between = -H_lo + np.log(-np.expm1(H_lo - H_hi))
    each = np.where(lo == hi, density, np.where(np.isinf(hi), -H_lo, between))
    total = float(each.sum())
    return total if np.isfinite(total) else -1e12


def _inverse_curvature(loss: Callable[[Array], float], at: Array) -> Array:
    """Return the covariance from second differences of the loss; nan where it is flat."""
    h = 1e-3
    steps = h * np.eye(at.size)
    hessian = np.array(
        [
            [
                (loss(at + a + b) - loss(at + a - b) - loss(at - a + b) + loss(at - a - b))
                / (4 * h * h)
                for b in steps
            ]
            for a in steps
        ]
    )
    if not np.isfinite(hessian).all() or np.linalg.eigvalsh(hessian).min() < 1e-6:
        return np.full(hessian.shape, np.nan)
    return np.asarray(np.linalg.inv(hessian), dtype=np.float64)


def times_to_out(sessions: pl.DataFrame, meters: pl.DataFrame, *, today: date) -> pl.DataFrame:
    """Return for each benched meter the interval in which it first went out of tolerance.

    In   sessions: meter_id, measured_at, gain_error_pct; meters: meter_id, tolerance_pct,
         in_service_date, kind, model_group. Sessions after today are left out.
    Out  meter_id, model_group, lo_years, hi_years (since in service; infinite: not yet found
         out), n_sessions. A meter out at its very first session: (0, its age].
    """
    first = pl.col("measured_at").dt.date().min().over("meter_id")
    rows = (
        sessions.filter(
            pl.col("gain_error_pct").is_finite() & (pl.col("measured_at").dt.date() <= today)
        )
        .join(
            meters.select(
                "meter_id",
                "tolerance_pct",
                "in_service_date",
                pl.coalesce("model_group", "kind").alias("model_group"),
            ),
            on="meter_id",
        )
        .with_columns(
            age=(
                pl.col("measured_at").dt.date() - pl.min_horizontal("in_service_date", first)
            ).dt.total_days()
            / DAYS_A_YEAR,
            out=pl.col("gain_error_pct").abs() > pl.col("tolerance_pct"),
        )
        .sort("meter_id", "measured_at")
    )
    age, out = pl.col("age"), pl.col("out")
    first_out = age.filter(out).min()
    return (
        rows.group_by("meter_id", "model_group", maintain_order=True)
        .agg(
            lo_years=pl.when(out.any())
            .then(age.filter(age < first_out).max().fill_null(0.0))
            .otherwise(age.max()),
            hi_years=pl.when(out.any()).then(first_out).otherwise(float("inf")),
            n_sessions=pl.len().cast(pl.Int64),
        )
        .with_columns(  # out on the day it came into service
            hi_years=pl.max_horizontal("hi_years", pl.lit(1.0 / DAYS_A_YEAR))
        )
    )


def time_to_out_table(
    sessions: pl.DataFrame, meters: pl.DataFrame, *, today: date, reliability: float = 0.90
) -> pl.DataFrame:
    """Return the time to first out of tolerance by model group, interval-censored.

    In   as times_to_out; reliability: the share of meters still never found out
    Out  model_group, n_meters, n_out, within_1y, within_1y_lo, within_1y_hi (share not yet out
         after a year), median_years and interval, reliable_years (until the share falls to
         `reliability`) and interval, shape (> 1: the risk rises with age), method, reason
    method: weibull; exponential where fewer than 3 meters went out (one parameter); none where
    nobody did (null, the reason says what is known).
    """
    times = times_to_out(sessions, meters, today=today)
    rows = [
        _group_row(str(name), times.filter(pl.col("model_group") == name), reliability)
        for name in times["model_group"].unique().sort()
    ]
    return pl.DataFrame(rows, schema=TIME_TO_OUT_SCHEMA)


_NUMBERS = [
    *("within_1y", "within_1y_lo", "within_1y_hi"),
    *("median_years", "median_lo", "median_hi"),
    *("reliable_years", "reliable_lo", "reliable_hi"),
    "shape",
]
TIME_TO_OUT_SCHEMA: dict[str, pl.DataType] = {
    "model_group": pl.String(),
    "n_meters": pl.Int64(),
    "n_out": pl.Int64(),
    **dict.fromkeys(_NUMBERS, pl.Float64()),
    "method": pl.String(),
    "reason": pl.String(),
}


def _group_row(name: str, times: pl.DataFrame, reliability: float) -> dict[str, object]:
    lo, hi = times["lo_years"].to_numpy(), times["hi_years"].to_numpy()
    n_out = int(np.isfinite(hi).sum())
    row: dict[str, object] = {"model_group": name, "n_meters": lo.size, "n_out": n_out}
    row |= dict.fromkeys(_NUMBERS)
    if n_out == 0:
        reason = f"None of {lo.size} went out in {lo.sum():.1f} meter-years."
        return row | {"method": "none", "reason": reason}
    fit, method, why = _best_fit(lo, hi, n_out)
    if fit is None:
        return row | {"method": method, "reason": why}
    within = [float(x[0]) for x in weibull_survival(fit, np.ones(1))]
    numbers = [*within, *weibull_quantile(fit, 0.5), *weibull_quantile(fit, reliability), fit.shape]
    return row | dict(zip(_NUMBERS, numbers, strict=True)) | {"method": method, "reason": why}


def _best_fit(lo: Array, hi: Array, n_out: int) -> tuple[Weibull | None, str, str | None]:
    """Return a Weibull fit where the data carry it, else an exponential, else none; and why."""
    if n_out >= LEAST_OUT:
        fit = fit_weibull(lo, hi)
        if fit.converged:
            return fit, "weibull", None
        why = "The data do not say how the risk changes with age."
    else:
        why = f"Only {n_out} went out."
    fit = fit_weibull(lo, hi, shape=1.0)
    if fit.converged:
        return fit, "exponential", why
    return (
        None,
        "none",
        "All were out at their first session: nothing is known of how long it took.",
    )
