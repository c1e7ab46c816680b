"""Chart standardized innovations, with limits from a budget of false alarms.

Three charts watch the same one-step-ahead standardized innovations z (N(0, 1) while nothing is
wrong): single values find a large step at once, EWMA and CUSUM a small one in a few points. A
fixed "3 sigma" cries wolf with the size of the fleet; here the user says how many false alarms a
season the whole fleet may give, and every limit follows from that and from the data rate.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl

from models.ageing.run_length import (
    Chart,
    cusum_arl,
    cusum_limit,
    ewma_arl,
    ewma_limit,
    shewhart_arl,
    shewhart_limit,
    survival,
)
from models.metrology import Array

CHARTS: tuple[Chart, ...] = ("individuals", "ewma", "cusum")
EWMA_WEIGHT = 0.2
"""Weight of the newest value: tuned to steps of about 1 sd (common practice 0.05 … 0.25)."""
CUSUM_REFERENCE = 0.5
"""Allowance in sd: tuned to steps of twice as much, 1 sd (common practice)."""

_SMALLEST_ARL = 2.0


@dataclass(frozen=True)
class Limits:
    """Limits of the three charts on standardized values.

    individuals, ewma: in sd of the charted statistic; cusum: in sd of one value.
    ewma_limit_z and cusum are the limits in the units in which the statistics are plotted.
    """

    individuals: float
    ewma: float
    cusum: float
    ewma_weight: float = EWMA_WEIGHT
    cusum_reference: float = CUSUM_REFERENCE

    @property
    def ewma_limit_z(self) -> float:
        """Return the limit of the EWMA itself: ewma · √(weight / (2 − weight))."""
        return float(self.ewma * np.sqrt(self.ewma_weight / (2.0 - self.ewma_weight)))

    def arl(self, chart: Chart, shift: float = 0.0) -> float:
        """Return the expected number of points to a signal, the mean moved by shift sd."""
        if chart == "individuals":
            return shewhart_arl(self.individuals, shift=shift)
        if chart == "ewma":
            return ewma_arl(self.ewma_weight, self.ewma, shift=shift)
        return cusum_arl(self.cusum_reference, self.cusum, shift=shift)


class Budget(NamedTuple):
    """Limits and, for each chart, what they promise.

    table: chart, limit (as in Limits), points_per_season, arl (points between false alarms),
    false_alarms_per_season.
    """

    limits: Limits
    table: pl.DataFrame


def limits_from_budget(false_alarms_per_season: float, points_per_season: float) -> Budget:
    """Set all charts' limits so that the whole fleet gives the budgeted number of false alarms.

    false_alarms_per_season: expected number in 365 days, all meters, all charts (> 0)
    points_per_season: values the whole fleet charts in a season

    Each chart gets a third of the budget; its in-control ARL is points / that. A run of values
    that signals on two charts counts twice, so where such signals are merged into one alarm that
    restarts all charts, about 0.7 of the budget is seen (simulated; see the tests), never more.
    Where the budget would allow an alarm at every second point, the limit is that of an ARL of 2;
    without any point the limits are those of a single one.
    ValueError: no false alarm is allowed at all.
    """
    if not false_alarms_per_season > 0:
        raise ValueError(
            f"false_alarms_per_season: found {false_alarms_per_season:g}, expected a number above "
            "0. No limit gives no false alarm at all: 0.1 is one in ten seasons."
        )
    budget = false_alarms_per_season / len(CHARTS)
    arl = float(np.clip(max(points_per_season, 1.0) / budget, _SMALLEST_ARL, 1e9))
    limits = Limits(
        shewhart_limit(arl), ewma_limit(EWMA_WEIGHT, arl), cusum_limit(CUSUM_REFERENCE, arl)
    )
    return Budget(limits, _promise(limits, float(points_per_season)))


def _promise(limits: Limits, points: float) -> pl.DataFrame:
    arl = [limits.arl(chart) for chart in CHARTS]
    return pl.DataFrame(
        {
            "chart": list(CHARTS),
            "limit": [limits.individuals, limits.ewma, limits.cusum],
            "points_per_season": [points] * len(CHARTS),
            "arl": arl,
            "false_alarms_per_season": [points / each for each in arl],
        }
    )


def detection_table(
    limits: Limits,
    steps_pct: Sequence[float],
    *,
    innovation_sd_pct: float,
    absorbed: float = 0.0,
    horizon: int = 24,
) -> pl.DataFrame:
    """Return how soon a lasting step of the gain error is found, by step and chart.

    steps_pct: sizes of the step in percent; innovation_sd_pct: sd of one innovation in percent
    absorbed: the share of an innovation that the forecast takes over at the next point (the
    filter's gain, 0 … 1). With 0 the step stays in every later innovation; otherwise it fades as
    (1 − absorbed)^n, and what is not found early is absorbed and never found by these charts.

    Out  step_pct, step_sd, chart, expected_observations (until the signal; with absorbed > 0
         given that it comes within the horizon, null where that is less likely than not),
         found_within_1, …_3, …_6, …_12: probabilities. The step counts from the first
         observation after it; the chart starts at zero.
    """
    if not innovation_sd_pct > 0:
        raise ValueError(
            f"innovation_sd_pct: found {innovation_sd_pct:g}, expected a number above 0"
        )
    rows = []
    for step in steps_pct:
        for chart in CHARTS:
            shift = abs(step) / innovation_sd_pct
            means: Array = shift * (1.0 - absorbed) ** np.arange(horizon, dtype=np.float64)
            found = 1.0 - _kept(limits, chart, means)
            rows.append(
                {
                    "step_pct": float(step),
                    "step_sd": shift,
                    "chart": chart,
                    "expected_observations": limits.arl(chart, shift)
                    if absorbed == 0.0
                    else _mean_delay(found),
                }
                | {f"found_within_{n}": float(found[n - 1]) for n in (1, 3, 6, 12)}
            )
    return pl.DataFrame(rows, schema_overrides={"expected_observations": pl.Float64})


def _kept(limits: Limits, chart: Chart, means: Array) -> Array:
    if chart == "individuals":
        return survival(chart, 0.0, limits.individuals, means)
    if chart == "ewma":
        return survival(chart, limits.ewma_weight, limits.ewma, means)
    return survival(chart, limits.cusum_reference, limits.cusum, means)


def _mean_delay(found: Array) -> float | None:
    """Return the mean number of points to a signal, given one within the horizon."""
    if found[-1] < 0.5:
        return None
    at = np.diff(found, prepend=0.0)
    return float(at @ np.arange(1, found.size + 1) / found[-1])


def control_charts(
    innovations: pl.DataFrame, limits: Limits, *, key: str = "meter_id", restart: bool = False
) -> pl.DataFrame:
    """Return chart values and signals of every device.

    In   innovations: key, at, z (standardized innovation; null or not finite = no value that
         day: the charts wait)
    Out  the same rows sorted by key and at, with ewma, cusum_high, cusum_low (≥ 0 both, in sd),
         individuals_limit, ewma_limit, cusum_limit (in the units of the values), and
         individuals_signal, ewma_signal, cusum_signal: +1 above, −1 below, 0 none.
    restart: a chart that signalled begins again at zero with the next value (counts alarms);
    otherwise the sums go on, as a chart on paper does.
    """
    rows = innovations.sort(key, "at", maintain_order=True)
    z = rows["z"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    place = rows.select(
        device=pl.col(key).rank("dense").cast(pl.Int64) - 1, point=pl.int_range(pl.len()).over(key)
    )
    device, point = place["device"].to_numpy(), place["point"].to_numpy()
    grid = np.full((device.max() + 1, point.max() + 1) if z.size else (0, 0), np.nan)
    grid[device, point] = z
    ewma = ewma_values(grid, limits, restart=restart)[device, point]
    high, low = (side[device, point] for side in cusum_values(grid, limits, restart=restart))
    return rows.with_columns(
        pl.Series("ewma", ewma),
        pl.Series("cusum_high", high),
        pl.Series("cusum_low", low),
        individuals_limit=pl.lit(limits.individuals),
        ewma_limit=pl.lit(limits.ewma_limit_z),
        cusum_limit=pl.lit(limits.cusum),
    ).with_columns(
        _side("z", limits.individuals).alias("individuals_signal"),
        _side("ewma", limits.ewma_limit_z).alias("ewma_signal"),
        _cusum_side(limits.cusum).alias("cusum_signal"),
    )


def ewma_values(z: Array, limits: Limits, *, restart: bool = False) -> Array:
    """Return the EWMA of each row of z [devices, points], from 0 on; gaps (nan) are skipped."""
    weight, limit = limits.ewma_weight, limits.ewma_limit_z
    state = np.zeros(z.shape[0])
    out = np.empty_like(z)
    for point in range(z.shape[1]):
        value = z[:, point]
        state = np.where(np.isfinite(value), (1 - weight) * state + weight * value, state)
        out[:, point] = state
        if restart:
            state = np.where(np.abs(state) > limit, 0.0, state)
    return out


def cusum_values(z: Array, limits: Limits, *, restart: bool = False) -> tuple[Array, Array]:
    """Return upper and lower CUSUM of each row of z [devices, points], both ≥ 0, from 0 on."""
    high, low = np.zeros(z.shape[0]), np.zeros(z.shape[0])
    above, below = np.empty_like(z), np.empty_like(z)
    for point in range(z.shape[1]):
        value = z[:, point]
        seen = np.isfinite(value)
        k = limits.cusum_reference
        high = np.where(seen, np.maximum(0.0, high + value - k), high)
        low = np.where(seen, np.maximum(0.0, low - value - k), low)
        above[:, point], below[:, point] = high, low
        if restart:
            signalled = (high > limits.cusum) | (low > limits.cusum)
            high, low = np.where(signalled, 0.0, high), np.where(signalled, 0.0, low)
    return above, below


def _side(column: str, limit: float) -> pl.Expr:
    """Return +1 above the limit, −1 below minus the limit, else 0, also where there is no value."""
    beyond = pl.col("z").is_finite() & (pl.col(column).abs() > limit)
    return pl.when(beyond).then(pl.col(column).sign()).otherwise(0.0).cast(pl.Int8)


def _cusum_side(limit: float) -> pl.Expr:
    high, low = pl.col("cusum_high"), pl.col("cusum_low")
    beyond = pl.col("z").is_finite() & (pl.max_horizontal(high, low) > limit)
    return pl.when(beyond).then((high - low).sign()).otherwise(0.0).cast(pl.Int8)
