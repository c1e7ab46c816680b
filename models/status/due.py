"""When each meter is due, and why, from the fleet model's forecast.

A meter is due on the first day on which the probability that its true gain error lies within
tolerance falls below the team's target. Everything here is plain percent.
"""

from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl

from ingest.schema import typed_columns
from models.metrology import Z90, Array, Index, Mask, normal_cdf
from models.status.reasons import most_telling, tell
from models.status.sides import SIGNS, SideForecast

HORIZON_DAYS = 1826
"""Five years: a due date beyond is null."""
SOON_DAYS = 28
NEVER = -1

PER_SIDE = ("pct", "sd_pct", "p")
"""Of a pair's side: its gain error, the sd, the probability of being within tolerance."""

DUE_SCHEMA: dict[str, pl.DataType] = {
    "meter_id": pl.String(),
    "status": pl.String(),
    "reasons": pl.List(pl.String()),
    "reason_kinds": pl.List(pl.String()),
    "short_reason": pl.String(),
    "gain_error_pct": pl.Float64(),
    "gain_error_sd_pct": pl.Float64(),
    "lo90_pct": pl.Float64(),
    "hi90_pct": pl.Float64(),
    "p_within_tolerance": pl.Float64(),
    "tolerance_pct": pl.Float64(),
    "due_date": pl.Date(),
    "next_action": pl.String(),
    "short_action": pl.String(),
    **{f"{side}_{what}": pl.Float64() for side in SIGNS for what in PER_SIDE},
}


class Forecast(NamedTuple):
    """Gain errors to be expected, normal on each day.

    days: [days] whole days from as_of, ascending, starting at 0
    mean_pct, sd_pct: [meters, days] of the true gain error; between two days the mean and the
    variance are taken as straight lines. Not finite: the meter could not be fitted.
    """

    days: Index
    mean_pct: Array
    sd_pct: Array


def p_within(mean_pct: Array, sd_pct: Array, tolerance_pct: Array) -> Array:
    """Return the probability that a normal gain error lies within ±tolerance; shapes broadcast.

    Ref  JCGM 106:2012, clause 7 (two-sided tolerance interval, normal distribution).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        upper = normal_cdf((tolerance_pct - mean_pct) / sd_pct)
        lower = normal_cdf((-tolerance_pct - mean_pct) / sd_pct)
    certain = np.where(np.abs(mean_pct) <= tolerance_pct, 1.0, 0.0)
    known = np.isfinite(mean_pct) & np.isfinite(sd_pct)
    chance = np.where(sd_pct > 0, upper - lower, certain)
    return np.asarray(np.where(known, chance, np.nan), dtype=np.float64)


def first_day_below(forecast: Forecast, tolerance_pct: Array, target: float) -> Index:
    """Return the first day from as_of with p_within < target; NEVER within the forecast's days.

    The grid of days may be coarse: every stretch in which p could dip below the target is
    looked at day by day. That includes stretches with both ends above it, because p need not
    fall steadily (a meter may drift through zero and out on the other side).
    """
    mean, sd = forecast.mean_pct, forecast.sd_pct
    tolerance = tolerance_pct[:, None]
    below = p_within(mean, sd, tolerance) < target
    first = np.where(below[:, 0], 0, NEVER).astype(np.int64)
    if forecast.days.size > 1:
        still_above = ~np.logical_or.accumulate(below[:, :-1], axis=1)
        look = still_above & _may_dip(forecast, tolerance, target)
        _search_between(forecast, tolerance, target, look=look, first=first)
    return first


def due_table(
    meters: pl.DataFrame,
    forecast: Forecast,
    *,
    as_of: date,
    target: float,
    sides: SideForecast | None = None,
) -> pl.DataFrame:
    """Return status, reasons, due date and next action of every meter.

    In   meters, a row each in the forecast's order: meter_id, tolerance_pct, last_bench (Date of
         the last used session; null: none), and where known last_comparison, slope_convention,
         drift_pct_per_year, drift_sd_pct_per_year, has_alarm
         forecast: out to five years; target: probability, e.g. 0.90
         sides: of pairs, which are within tolerance as their worse side is
    Out  DUE_SCHEMA, same order. Status is the first that holds: unknown (never benched, or not
         fitted), out (p < 0.5), due (p < target), soon (p < target within 28 days), ok.
    """
    _check(meters, forecast, target)
    tolerance = meters["tolerance_pct"].cast(pl.Float64).to_numpy()
    mean, sd = forecast.mean_pct[:, 0], forecast.sd_pct[:, 0]
    p = p_within(mean, sd, tolerance)
    below = first_day_below(forecast, tolerance, target)
    told_of_sides = _by_worse_side(p, below, forecast.days, sides, tolerance, target)
    below[below > HORIZON_DAYS] = NEVER
    benched = meters["last_bench"].is_not_null().to_numpy()
    status = _status(p, below, benched, target)
    table = meters.select("meter_id", "tolerance_pct").with_columns(
        pl.Series("status", status, dtype=pl.String),
        gain_error_pct=_series(mean),
        gain_error_sd_pct=_series(sd),
        lo90_pct=_series(mean - Z90 * sd),
        hi90_pct=_series(mean + Z90 * sd),
        p_within_tolerance=_series(p),
        due_date=pl.Series([_later(as_of, day) for day in below.tolist()], dtype=pl.Date),
        **{name: _series(values) for name, values in told_of_sides.items()},
    )
    told = tell(_facts(table, meters), as_of=as_of, target=target)
    words = [[str(reason) for reason in reasons] for reasons, _ in told]
    kinds = [[reason.kind for reason in reasons] for reasons, _ in told]
    short = [most_telling(reasons, one) for (reasons, _), one in zip(told, status, strict=True)]
    return table.with_columns(
        pl.Series("reasons", words, dtype=pl.List(pl.String)),
        pl.Series("reason_kinds", kinds, dtype=pl.List(pl.String)),
        pl.Series("short_reason", short, dtype=pl.String),
        pl.Series("next_action", [str(action) for _, action in told], dtype=pl.String),
        pl.Series("short_action", [action.short for _, action in told], dtype=pl.String),
    ).select(pl.col(name).cast(kind) for name, kind in DUE_SCHEMA.items())


def _by_worse_side(
    p: Array,
    below: Index,
    days: Index,
    sides: SideForecast | None,
    tolerance: Array,
    target: float,
) -> dict[str, Array]:
    """Lower p and below (in place) to each pair's worse side; return the sides' columns."""
    columns = {f"{side}_{what}": np.full(p.size, np.nan) for side in SIGNS for what in PER_SIDE}
    if sides is None:
        return columns
    rows = sides.rows
    for side in SIGNS:
        ahead = Forecast(days, sides.mean_pct[side], sides.sd_pct[side])
        here = (ahead.mean_pct[:, 0], ahead.sd_pct[:, 0])
        chance = p_within(*here, tolerance[rows])
        for what, values in zip(PER_SIDE, (*here, chance), strict=True):
            columns[f"{side}_{what}"][rows] = values
        p[rows] = np.fmin(p[rows], chance)
        first = first_day_below(ahead, tolerance[rows], target)
        sooner = (first != NEVER) & ((below[rows] == NEVER) | (first < below[rows]))
        below[rows] = np.where(sooner, first, below[rows])
    return columns


def lower_side(p: Array, sides: SideForecast | None, tolerance: Array) -> Array:
    """Return the probability of being within tolerance today, a pair's as of its lower side.

    In   p, tolerance: by meter, [M]; sides: of the same meters
    """
    lowered = p.copy()
    if sides is None:
        return lowered
    for side in SIGNS:
        here = (sides.mean_pct[side][:, 0], sides.sd_pct[side][:, 0])
        lowered[sides.rows] = np.fmin(lowered[sides.rows], p_within(*here, tolerance[sides.rows]))
    return lowered


def _search_between(
    forecast: Forecast, tolerance: Array, target: float, *, look: Mask, first: Index
) -> None:
    """Fill in first (in place) from the stretches to look at, [meters, days − 1]."""
    meter, stretch = np.nonzero(look)
    if meter.size == 0:
        return
    start, end = forecast.days[stretch], forecast.days[stretch + 1]
    step = np.arange(1, int(np.diff(forecast.days).max()) + 1)
    day = start[:, None] + step[None, :]
    share = np.minimum(step[None, :] / (end - start)[:, None], 1.0)
    mean = _between(forecast.mean_pct, meter, stretch, share)
    variance = _between(forecast.sd_pct**2, meter, stretch, share)
    below = p_within(mean, np.sqrt(variance), tolerance[meter]) < target
    hit = below.any(axis=1)
    found = np.where(hit, day[np.arange(meter.size), below.argmax(axis=1)], np.iinfo(np.int64).max)
    found = np.minimum(found, np.where(hit, end, found))
    earliest = np.full(first.size, np.iinfo(np.int64).max)
    np.minimum.at(earliest, meter, found)
    reached = earliest < np.iinfo(np.int64).max
    first[reached] = earliest[reached]


def _may_dip(forecast: Forecast, tolerance: Array, target: float) -> Mask:
    """Return the stretches whose worst case is below the target, [meters, days − 1].

    p falls with the sd and, at a given sd, is lowest at one end of a stretch of means.
    """
    widest = np.maximum(forecast.sd_pct[:, :-1], forecast.sd_pct[:, 1:])
    left = p_within(forecast.mean_pct[:, :-1], widest, tolerance)
    right = p_within(forecast.mean_pct[:, 1:], widest, tolerance)
    return np.asarray(np.minimum(left, right) < target)


def _between(values: Array, meter: Index, stretch: Index, share: Array) -> Array:
    left, right = values[meter, stretch][:, None], values[meter, stretch + 1][:, None]
    return np.asarray(left + share * (right - left), dtype=np.float64)


def _check(meters: pl.DataFrame, forecast: Forecast, target: float) -> None:
    shape = (meters.height, forecast.days.size)
    for name in ("mean_pct", "sd_pct"):
        found = getattr(forecast, name).shape
        if found != shape:
            raise ValueError(f"{name}: found shape {found}, expected {shape} (meters, days)")
    if forecast.days.size == 0 or forecast.days[0] != 0 or (np.diff(forecast.days) <= 0).any():
        raise ValueError("days: expected whole days from as_of, ascending, starting at 0")
    if not 0 < target < 1:
        raise ValueError(
            f"reliability_target: found {target:g}, expected a probability between 0 and 1. "
            "Looks like percent: divide by 100."
            if 1 < target <= 100
            else f"reliability_target: found {target:g}, expected a probability between 0 and 1."
        )


def _status(p: Array, below: Index, benched: Mask, target: float) -> list[str]:
    conditions = [
        ~benched | ~np.isfinite(p),
        p < 0.5,
        p < target,
        (below != NEVER) & (below <= SOON_DAYS),
    ]
    status: list[str] = np.select(conditions, ["unknown", "out", "due", "soon"], "ok").tolist()
    return status


def _series(values: Array) -> pl.Series:
    return pl.Series(values, dtype=pl.Float64).fill_nan(None)


def _later(as_of: date, days: int) -> date | None:
    return None if days == NEVER else as_of + timedelta(days=days)


def _facts(table: pl.DataFrame, meters: pl.DataFrame) -> pl.DataFrame:
    """Return what the reasons ask, absent columns null."""
    wanted = {
        "last_bench": pl.Date(),
        "last_comparison": pl.Date(),
        "slope_convention": pl.String(),
        "drift_pct_per_year": pl.Float64(),
        "drift_sd_pct_per_year": pl.Float64(),
        "has_alarm": pl.Boolean(),
    }
    return pl.concat([table, meters.select(typed_columns(meters, wanted))], how="horizontal")
