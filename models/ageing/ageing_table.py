"""How each group of meters ages, as a manager reads it: drift, found out, time to go out."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import polars as pl

from models.ageing.survival import time_to_out_table
from models.metrology import effective_number, proportion


def group_table(
    sessions: pl.DataFrame,
    meters: pl.DataFrame,
    population: pl.DataFrame,
    *,
    today: date,
    target: float,
) -> list[dict[str, Any]]:
    """A row a group of the roster.

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
    drift = {row["model_group"]: row for row in population.to_dicts()}
    out = {row["model_group"]: row for row in share_out_of_tolerance(known).to_dicts()}
    times = {
        row["model_group"]: row
        for row in time_to_out_table(
            known.drop("tolerance_pct", "model_group"), meters, today=today, reliability=target
        ).to_dicts()
    }
    counted = dict(meters.filter(~pl.col("gone")).group_by("group").len().iter_rows())
    return [
        {"group": name, "meters": counted.get(name, 0)}
        | _drift(drift.get(name))
        | _out(out.get(name))
        | _time(times.get(name))
        for name in meters["group"].unique().sort()
    ]


def _drift(row: dict[str, Any] | None) -> dict[str, Any]:
    row = row or {}
    return {
        "drift_pct_per_year": row.get("drift_pct_per_year"),
        "drift_interval90": [row.get("drift_lo90"), row.get("drift_hi90")],
        "drift_method": row.get("method"),
        "drift_reason": row.get("reason"),
    }


def _out(row: dict[str, Any] | None) -> dict[str, Any]:
    row = row or {"n_sessions": 0, "n_out": 0}
    return {
        "sessions": row["n_sessions"],
        "found_out": row["n_out"],
        "out_share": row.get("out_share"),
        "out_share_interval90": [row.get("out_share_lo", 0.0), row.get("out_share_hi", 1.0)],
    }


def _time(row: dict[str, Any] | None) -> dict[str, Any]:
    row = row or {"reason": "never benched"}
    return {
        "within_1y": row.get("within_1y"),
        "within_1y_interval90": [row.get("within_1y_lo"), row.get("within_1y_hi")],
        "reliable_years": row.get("reliable_years"),
        "reliable_years_interval90": [row.get("reliable_lo"), row.get("reliable_hi")],
        "time_method": row.get("method"),
        "time_reason": row.get("reason"),
    }


def share_out_of_tolerance(sessions: pl.DataFrame, *, by: str = "model_group") -> pl.DataFrame:
    """Share of sessions that found the meter out of tolerance, by group.

    In   meter_id, gain_error_pct, tolerance_pct, `by`
    Out  by, n_sessions, n_meters, n_out, out_share, out_share_lo, out_share_hi (Wilson, 90 %,
         on the effective number of sessions). What was found is the meter's error and the
         session's noise together.
    """
    used = sessions.filter(pl.col("gain_error_pct").is_finite() & pl.col(by).is_not_null())
    rows = []
    for key in used[by].unique().sort():
        group = used.filter(pl.col(by) == key)
        out = np.abs(group["gain_error_pct"].to_numpy()) > group["tolerance_pct"].to_numpy()
        meter = group["meter_id"].rank("dense").cast(pl.Int64).to_numpy() - 1
        n_effective = effective_number(out, meter)
        share = proportion(float(out.mean()) * n_effective, n_effective)
        rows.append(
            {
                by: key,
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
    return pl.DataFrame(rows, schema={by: used.schema[by], **counts, **shares})
