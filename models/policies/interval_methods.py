"""The interval methods themselves: rows of sessions in, an interval in days a meter out.

In   rows: a session each, as `intervals.py` makes them (meter_id, group, at, day, point,
     gain_error_pct, left_pct, sensitivity, p_after, tolerance_pct, gap_days)
Out  meter_id, interval_days (null: the method cannot say), reason
"""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from scipy.special import stdtrit

from models.ageing import fit_weibull
from models.metrology import DAYS_A_YEAR, Array, percent_from_ln, proportion


@dataclass(frozen=True)
class IntervalSettings:
    """What the methods leave open.

    first_days: the calendar interval, and where the staircase begins
    inside: share of the tolerance up to which a result counts as well inside (80 % is the
    example of ILAC-G24:2007)
    longer, shorter: factors of the staircase; least_days, most_days: its and all bounds
    least_sessions: sessions of a meter that its own drift needs
    """

    first_days: float = 365.0
    inside: float = 0.8
    longer: float = 1.25
    shorter: float = 0.5
    least_days: float = 30.0
    most_days: float = 1826.0
    least_sessions: int = 3


def reliability_interval(interval: float, observed: float, target: float) -> float:
    """Interval for a target reliability, from the share found within tolerance after `interval`.

    Exponential model, R(t) = exp(−t/theta): interval · ln(target) / ln(observed), in the unit of
    interval. observed and target in (0, 1).
    """
    for name, value in (("observed", observed), ("target", target)):
        if not 0 < value < 1:
            raise ValueError(f"{name}: found {value:g}, expected a share between 0 and 1")
    return float(interval * np.log(target) / np.log(observed))


def _answer(meter_ids: pl.Series, days: Array, reason: list[str | None]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "meter_id": meter_ids,
            "interval_days": pl.Series(days, dtype=pl.Float64).fill_nan(None),
            "reason": pl.Series(reason, dtype=pl.String),
        }
    )


def staircase(rows: pl.DataFrame, s: IntervalSettings) -> pl.DataFrame:
    """One step a session, all meters at once."""
    ids, share = _grid(rows, (pl.col("gain_error_pct").abs() / pl.col("tolerance_pct")))
    days = np.full(len(ids), s.first_days)
    for point in range(share.shape[1]):
        seen = share[:, point]
        factor = np.where(seen <= s.inside, s.longer, np.where(seen > 1.0, s.shorter, 1.0))
        stepped = np.clip(days * factor, s.least_days, s.most_days)
        days = np.where(np.isnan(seen), days, stepped)
    return _answer(ids, days, [None] * len(ids))


def _grid(rows: pl.DataFrame, value: pl.Expr) -> tuple[pl.Series, Array]:
    """Meters and their values as [meters, sessions], nan where a meter has fewer."""
    ids = rows["meter_id"].unique(maintain_order=True)
    points = int(rows["point"].to_numpy().max()) + 1 if rows.height else 0
    grid = np.full((len(ids), points), np.nan)
    place = rows["meter_id"].rank("dense").cast(pl.Int64).to_numpy() - 1
    grid[place, rows["point"].to_numpy()] = rows.select(value).to_series().to_numpy()
    return ids, grid


def control_chart(rows: pl.DataFrame, target: float, s: IntervalSettings) -> pl.DataFrame:
    """Until the meter's own line, with its uncertainty, may leave the tolerance.

    A straight line through each meter's sensitivity; the scatter about it is pooled over the
    group. The visit is due on the first day with |error| + t · u > tolerance, t the one-sided
    quantile at the target, u the standard uncertainty of the line on that day.
    """
    ids, y = _grid(rows, pl.col("sensitivity"))
    _, day = _grid(rows, pl.col("day").cast(pl.Int32).cast(pl.Float64))
    if not len(ids):
        return _answer(ids, np.zeros(0), [])
    line = _lines(y, day / DAYS_A_YEAR)
    final = rows.group_by("meter_id", maintain_order=True).agg(
        pl.col("tolerance_pct", "p_after", "group").last()
    )
    sd, dof = _pooled(line["rss"], line["dof"], final["group"])
    with np.errstate(invalid="ignore"):
        t = np.where(dof > 0, stdtrit(np.maximum(dof, 1), target), np.nan)
        days = _days_until(line, final, t * sd, s.most_days)
    few = (line["n"] < s.least_sessions) | ~np.isfinite(t * sd)
    reasons = [
        f"{int(n)} session{'' if n == 1 else 's'}: no line of its own yet." if none else None
        for n, none in zip(line["n"], few, strict=True)
    ]
    return _answer(ids, np.where(few, np.nan, days), reasons)


def _lines(y: Array, time: Array) -> dict[str, Array]:
    """Least-squares line of each row: n, mean time, Sxx, level at it, slope, rss, dof, end."""
    seen = np.isfinite(y)
    n = seen.sum(axis=1)
    middle = np.nansum(time, axis=1) / n
    level = np.nansum(y, axis=1) / n
    x = np.where(seen, time - middle[:, None], 0.0)
    rest = np.where(seen, y - level[:, None], 0.0)
    Sxx = (x**2).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = np.where(Sxx > 0, (x * rest).sum(axis=1) / Sxx, 0.0)
    rss = ((rest - slope[:, None] * x) ** 2).sum(axis=1)
    return {
        "n": n.astype(float),
        "middle": middle,
        "Sxx": Sxx,
        "level": level,
        "slope": slope,
        "rss": rss,
        "dof": np.maximum(n - 2.0, 0.0),
        "end": np.nanmax(time, axis=1),
    }


def _pooled(rss: Array, dof: Array, group: pl.Series) -> tuple[Array, Array]:
    """Scatter about the lines and its degrees of freedom, by the group of each meter."""
    code = group.rank("dense").cast(pl.Int64).to_numpy() - 1
    total, freedom = np.bincount(code, weights=rss * (dof > 0)), np.bincount(code, weights=dof)
    with np.errstate(invalid="ignore", divide="ignore"):
        sd = np.sqrt(total / freedom)
    return sd[code], freedom[code]


def _days_until(
    line: dict[str, Array], final: pl.DataFrame, wide: Array, most_days: float
) -> Array:
    """Days from the last session to the first day on which |error| + wide·√(…) > tolerance."""
    ahead = np.arange(0.0, most_days + 1.0, 7.0)
    x = line["end"][:, None] + ahead / DAYS_A_YEAR - line["middle"][:, None]
    ln = line["level"][:, None] + line["slope"][:, None] * x - final["p_after"].to_numpy()[:, None]
    error = percent_from_ln(ln)
    leverage = 1.0 / line["n"][:, None] + x**2 / np.maximum(line["Sxx"], 1e-12)[:, None]
    out = (
        np.abs(error) + wide[:, None] * np.sqrt(leverage)
        > final["tolerance_pct"].to_numpy()[:, None]
    )
    return np.where(out.any(axis=1), ahead[out.argmax(axis=1)], most_days)


def in_use(
    last: pl.DataFrame, use: pl.DataFrame | None, *, today: date, settings: IntervalSettings
) -> pl.DataFrame:
    """Days that a meter takes to ride the hours that its group rides in a calendar interval."""
    if use is None or use.is_empty():
        return last.select(
            "meter_id",
            interval_days=pl.lit(None, dtype=pl.Float64),
            reason=pl.lit("No hours of use are known."),
        )
    known = use.filter(pl.col("date") <= today).with_columns(pl.col("date").cast(pl.Date))
    a_day = pl.col("hours").sum() / ((pl.lit(today) - pl.col("date").min()).dt.total_days() + 1)
    rate = known.group_by("meter_id").agg(a_day=a_day)
    since = (
        known.join(last, on="meter_id")
        .filter(pl.col("date") > pl.col("last"))
        .group_by("meter_id")
        .agg(since=pl.col("hours").sum())
    )
    typical = pl.col("a_day").median().over("group")
    gone = (pl.lit(today) - pl.col("last")).dt.total_days()
    left = settings.first_days * typical - pl.col("since").fill_null(0.0)
    used = pl.col("a_day") > 0
    return (
        last.join(rate, on="meter_id", how="left")
        .join(since, on="meter_id", how="left")
        .select(
            "meter_id",
            interval_days=pl.when(used).then((gone + left / pl.col("a_day")).clip(0.0)),
            reason=pl.when(used.fill_null(False))
            .then(None)
            .otherwise(pl.lit("No hours of use are known.")),
        )
    )


def reliability(
    rows: pl.DataFrame, last: pl.DataFrame, target: float, s: IntervalSettings
) -> pl.DataFrame:
    """Exponential time to out of tolerance of each group, from session to session."""
    good_start = (pl.col("left_pct").abs() <= pl.col("tolerance_pct")).shift(1).over("meter_id")
    spans = rows.with_columns(
        good=good_start, out=pl.col("gain_error_pct").abs() > pl.col("tolerance_pct")
    ).filter(pl.col("good").fill_null(False) & (pl.col("gap_days") > 0))
    answers = [
        {"group": name} | _group_interval(spans.filter(pl.col("group") == name), target, s)
        for name in last["group"].unique().sort()
    ]
    schema = {"group": pl.String(), "interval_days": pl.Float64(), "reason": pl.String()}
    table = pl.DataFrame(answers, schema=schema)
    return last.join(table, on="group", how="left").select("meter_id", "interval_days", "reason")


def _group_interval(
    spans: pl.DataFrame, target: float, s: IntervalSettings
) -> dict[str, float | str | None]:
    n, gap = spans.height, spans["gap_days"].cast(pl.Float64).to_numpy()
    out = spans["out"].to_numpy()
    if n == 0:
        return {"interval_days": None, "reason": "No two sessions of a meter of its group."}
    if not out.any():
        sure = proportion(n, n, level=0.80, method="clopper-pearson").lo  # one-sided 90 %
        days = reliability_interval(float(gap.mean()), sure, target)
        return {
            "interval_days": min(days, s.most_days),
            "reason": f"None of {n} found out: at least this, with a confidence of 90 %.",
        }
    if out.all():
        return {
            "interval_days": s.least_days,
            "reason": f"All {n} found out: the least interval.",
        }
    fit = fit_weibull(np.where(out, 0.0, gap), np.where(out, gap, np.inf), shape=1.0)
    return {"interval_days": fit.scale * -float(np.log(target)), "reason": None}
