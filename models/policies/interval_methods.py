"""The interval methods on a store's sessions: an interval in days a meter.

In   rows: a session each, as `intervals.py` makes them (meter_id, group, at, day, point,
     gain_error_pct, left_pct, sensitivity, p_after, tolerance_pct, gap_days)
Out  meter_id, interval_days (null: the method cannot say), reason
"""

from datetime import date

import numpy as np
import polars as pl
from scipy.special import stdtrit

from models.ageing import fit_weibull
from models.metrology import DAYS_A_YEAR, Array, percent_from_ln, proportion
from models.policies.interval_rules import (
    FIRST_DAYS,
    LEAST_DAYS,
    LEAST_SESSIONS,
    MOST_DAYS,
    Line,
    Lines,
    reliability_interval,
    staircase_step,
)


def _answer(meter_ids: pl.Series, days: Array, reason: list[str | None]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "meter_id": meter_ids,
            "interval_days": pl.Series(days, dtype=pl.Float64).fill_nan(None),
            "reason": pl.Series(reason, dtype=pl.String),
        }
    )


def staircase(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the staircase's intervals: one step a session, all meters at once."""
    ids, share = _grid(rows, (pl.col("gain_error_pct").abs() / pl.col("tolerance_pct")))
    days = np.full(len(ids), FIRST_DAYS)
    for found in share.T:
        days = staircase_step(days, found)
    return _answer(ids, days, [None] * len(ids))


def _grid(rows: pl.DataFrame, value: pl.Expr) -> tuple[pl.Series, Array]:
    """Return the meters, and their values [meters, sessions]; nan where one has fewer."""
    ids = rows["meter_id"].unique(maintain_order=True)
    points = int(rows["point"].to_numpy().max()) + 1 if rows.height else 0
    grid = np.full((len(ids), points), np.nan)
    place = rows["meter_id"].rank("dense").cast(pl.Int64).to_numpy() - 1
    grid[place, rows["point"].to_numpy()] = rows.select(value).to_series().to_numpy()
    return ids, grid


def control_chart(rows: pl.DataFrame, target: float) -> pl.DataFrame:
    """Return the days until the meter's own line, with its uncertainty, may leave the tolerance.

    A straight line through each meter's sensitivity; the scatter about it is pooled over the
    group. The visit is due on the first day with |error| + t · u > tolerance, t the one-sided
    quantile at the target, u the standard uncertainty of the line on that day.
    """
    ids, y = _grid(rows, pl.col("sensitivity"))
    _, day = _grid(rows, pl.col("day").cast(pl.Int32).cast(pl.Float64))
    if not len(ids):
        return _answer(ids, np.zeros(0), [])
    final = rows.group_by("meter_id", maintain_order=True).agg(
        pl.col("tolerance_pct", "p_after", "group").last()
    )
    time = (day - np.nanmin(day)) / DAYS_A_YEAR
    line = _line_through(time, y, final["group"])
    with np.errstate(invalid="ignore"):
        t = np.where(line.dof > 0, stdtrit(np.maximum(line.dof, 1), target), np.nan)
    ahead = np.arange(0.0, MOST_DAYS + 1.0, 7.0)
    ln, u = line.at(np.nanmax(time, axis=1)[:, None] + ahead / DAYS_A_YEAR)
    error = percent_from_ln(ln - final["p_after"].to_numpy()[:, None])
    wide = np.abs(error) + (t * line.scatter)[:, None] * u
    out = wide > final["tolerance_pct"].to_numpy()[:, None]
    days = np.where(out.any(axis=1), ahead[out.argmax(axis=1)], MOST_DAYS)
    few = (line.n < LEAST_SESSIONS) | ~np.isfinite(t * line.scatter)
    reasons = [
        f"{int(n)} session{'' if n == 1 else 's'}: no line of its own yet." if none else None
        for n, none in zip(line.n, few, strict=True)
    ]
    return _answer(ids, np.where(few, np.nan, days), reasons)


def _line_through(time: Array, y: Array, group: pl.Series) -> Line:
    """Return each meter's line. time, y [meters, sessions]; nan: no session; group [meters]."""
    lines = Lines(group.rank("dense").cast(pl.Int64).to_numpy() - 1)
    for at, found in zip(time.T, y.T, strict=True):
        seen = np.flatnonzero(np.isfinite(found))
        lines.add(seen, at[seen], found[seen])
    return lines.fit()


def in_use(last: pl.DataFrame, use: pl.DataFrame | None, *, today: date) -> pl.DataFrame:
    """Return the days in which a meter rides what its group rides in a calendar interval."""
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
    left = FIRST_DAYS * typical - pl.col("since").fill_null(0.0)
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


def reliability(rows: pl.DataFrame, last: pl.DataFrame, target: float) -> pl.DataFrame:
    """Return the time after which the target share of each group is still within tolerance.

    The time to out of tolerance is exponential, known from session to session.
    """
    good_start = (pl.col("left_pct").abs() <= pl.col("tolerance_pct")).shift(1).over("meter_id")
    spans = rows.with_columns(
        good=good_start, out=pl.col("gain_error_pct").abs() > pl.col("tolerance_pct")
    ).filter(pl.col("good").fill_null(False) & (pl.col("gap_days") > 0))
    answers = [
        {"group": name} | _group_interval(spans.filter(pl.col("group") == name), target)
        for name in last["group"].unique().sort()
    ]
    schema = {"group": pl.String(), "interval_days": pl.Float64(), "reason": pl.String()}
    table = pl.DataFrame(answers, schema=schema)
    return last.join(table, on="group", how="left").select("meter_id", "interval_days", "reason")


def _group_interval(spans: pl.DataFrame, target: float) -> dict[str, float | str | None]:
    n, gap = spans.height, spans["gap_days"].cast(pl.Float64).to_numpy()
    out = spans["out"].to_numpy()
    if n == 0:
        return {"interval_days": None, "reason": "No two sessions of a meter of its group."}
    if not out.any():
        sure = proportion(n, n, level=0.80, method="clopper-pearson").lo  # one-sided 90 %
        days = float(reliability_interval(gap.mean(), np.asarray(sure), target))
        return {
            "interval_days": min(days, MOST_DAYS),
            "reason": f"None of {n} found out: at least this, with a confidence of 90 %.",
        }
    if out.all():
        return {
            "interval_days": LEAST_DAYS,
            "reason": f"All {n} found out: the least interval.",
        }
    fit = fit_weibull(np.where(out, 0.0, gap), np.where(out, gap, np.inf), shape=1.0)
    return {"interval_days": fit.scale * -float(np.log(target)), "reason": None}
