"""Score how honest forecasts were: coverage, calibration of probabilities, bias."""

from typing import TypedDict, cast

import numpy as np
import polars as pl

from models.metrology import Z90, Array, Index, Mask, effective_number, proportion


class Scores(TypedDict):
    """Scores of forecasts; without any only the counts are known."""

    n: int
    n_meters: int
    coverage90: float | None
    coverage90_lo: float | None
    coverage90_hi: float | None
    brier: float | None
    brier_no_skill: float | None
    within_tolerance_share: float | None
    mean_p_within_tolerance: float | None
    bias_pct: float | None
    u_bias_pct: float | None
    rmse_pct: float | None
    mean_sd_pct: float | None


class Reliability(TypedDict):
    """One bin of probabilities: how many were said so (n, mean_p), and the share that happened."""

    p_from: float
    p_to: float
    n: int
    mean_p: float
    share: float
    share_lo: float
    share_hi: float


HINDCAST_SCHEMA: dict[str, pl.DataType] = {
    name: pl.Int64() if name in ("n", "n_meters") else pl.Float64()
    for name in Scores.__annotations__
}


def brier_score(p: Array, happened: Mask) -> float:
    """Return the mean squared distance of p [n] from what happened [n]; 0 best, 0.25 a coin."""
    return float(np.mean((p - happened) ** 2)) if p.size else float("nan")


def reliability_table(p: Array, happened: Mask) -> pl.DataFrame:
    """Return, of those said to happen with probability p, how many did.

    Out  a `Reliability` row for each tenth that holds any (the last holds p = 1 too); share with
         Wilson's 90 % interval
    """
    bounds = np.linspace(0.0, 1.0, 11)
    place = np.clip(np.searchsorted(bounds, p, side="right") - 1, 0, bounds.size - 2)
    rows: list[Reliability] = []
    for k in np.unique(place):
        inside = place == k
        share = proportion(int(happened[inside].sum()), int(inside.sum()))
        rows.append(
            {
                "p_from": float(bounds[k]),
                "p_to": float(bounds[k + 1]),
                "n": int(inside.sum()),
                "mean_p": float(p[inside].mean()),
                "share": share.share,
                "share_lo": share.lo,
                "share_hi": share.hi,
            }
        )
    schema = {
        name: pl.Int64() if name == "n" else pl.Float64() for name in Reliability.__annotations__
    }
    return pl.DataFrame(rows, schema=schema)


def inside90(found_pct: Array, forecast_pct: Array, sd_pct: Array) -> Mask:
    """Tell whether each found value lies in its forecast's central 90 % interval."""
    return np.asarray(np.abs(found_pct - forecast_pct) <= Z90 * sd_pct)


def score_hindcast(forecasts: pl.DataFrame, *, by: str | None = None) -> pl.DataFrame:
    """Return scores of forecasts made before each session against what was found.

    In   meter_id, forecast_pct, forecast_sd_pct (of the found value, its own noise included),
         found_pct, worst_pct (its size, of a pair on its worse side), tolerance_pct,
         p_within_tolerance (of worst_pct), and `by` if given
    Out  HINDCAST_SCHEMA, one row (or one for each value of `by`, which comes first). The
         interval of the coverage is Wilson's on the effective number of sessions, since those
         of one meter are correlated; bias = mean of found − forecast, its standard uncertainty
         taken over meters; brier_no_skill is the score of always saying the overall share.
    Rows without forecast or found value do not count.
    """
    whole = forecasts.filter(
        pl.all_horizontal(pl.col("forecast_pct", "forecast_sd_pct", "found_pct").is_finite())
    )
    if by is None:
        return pl.DataFrame([_scores(whole)], schema=HINDCAST_SCHEMA)
    groups = [
        {by: key} | _scores(whole.filter(pl.col(by).eq_missing(key)))
        for key in whole[by].unique().sort()
    ]
    return pl.DataFrame(groups, schema={by: whole.schema[by]} | HINDCAST_SCHEMA)


def _scores(rows: pl.DataFrame) -> Scores:
    if rows.is_empty():
        nothing = dict.fromkeys(Scores.__annotations__) | {"n": 0, "n_meters": 0}
        return cast("Scores", nothing)
    found, forecast = rows["found_pct"].to_numpy(), rows["forecast_pct"].to_numpy()
    sd, p = rows["forecast_sd_pct"].to_numpy(), rows["p_within_tolerance"].to_numpy()
    meter = rows["meter_id"].rank("dense").cast(pl.Int64).to_numpy() - 1
    within = rows["worst_pct"].to_numpy() <= rows["tolerance_pct"].to_numpy()
    error = found - forecast
    hit = inside90(found, forecast, sd)
    n_effective = effective_number(hit, meter)
    cover = proportion(float(hit.mean()) * n_effective, n_effective)
    return {
        "n": rows.height,
        "n_meters": int(meter.max()) + 1,
        "coverage90": cover.share,
        "coverage90_lo": cover.lo,
        "coverage90_hi": cover.hi,
        "brier": brier_score(p, within),
        "brier_no_skill": float(within.mean() * (1 - within.mean())),
        "within_tolerance_share": float(within.mean()),
        "mean_p_within_tolerance": float(p.mean()),
        "bias_pct": float(error.mean()),
        "u_bias_pct": _u_mean(error, meter),
        "rmse_pct": float(np.sqrt((error**2).mean())),
        "mean_sd_pct": float(np.sqrt((sd**2).mean())),
    }


def _u_mean(values: Array, cluster: Index) -> float | None:
    """Return the standard uncertainty of the mean of values that are correlated in clusters."""
    n_clusters = int(cluster.max()) + 1
    if n_clusters < 2:
        return None
    rest = np.bincount(cluster, weights=values - values.mean(), minlength=n_clusters)
    return float(np.sqrt(n_clusters / (n_clusters - 1) * (rest @ rest)) / values.size)
