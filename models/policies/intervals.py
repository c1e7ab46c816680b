"""Recalibration intervals by the five methods of ILAC-G24 / OIML D 10, beside our own due date.

They are here to be compared with (`interval_rules.py` says how each moves an interval).

calendar       a fixed interval
staircase      longer after a result well inside the limit, shorter after one outside
control_chart  each meter's own drift, with the scatter of its group
in_use_time    hours ridden instead of days, where hours are known
reliability    the interval after which the target share of the group is still within tolerance
"""

from collections.abc import Mapping
from datetime import date
from typing import TypedDict

import polars as pl

from ingest.schema import frame_schema
from models.metrology import percent_from_ln
from models.policies.documents import IntervalsDocument
from models.policies.interval_methods import control_chart, in_use, reliability, staircase
from models.policies.interval_rules import FIRST_DAYS, MOST_DAYS
from models.records import programmed, typed_rows

METHODS = ("calendar", "staircase", "control_chart", "in_use_time", "reliability")


class _Next(TypedDict):
    meter_id: str
    method: str
    interval_days: float | None
    next_on: date | None
    reason: str | None


INTERVAL_SCHEMA = frame_schema(_Next)


def interval_table(
    sessions: pl.DataFrame,
    resets: pl.DataFrame,
    meters: pl.DataFrame,
    *,
    today: date,
    target: float = 0.90,
    use: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Return the next bench visit of every meter by every method.

    In   sessions: meter_id, measured_at, gain_error_pct, gain_error_ln
         resets: as from models.records.slope_chain
         meters: meter_id, tolerance_pct, in_service_date, kind, model_group
         use: meter_id, date, hours ridden on that day (any number of rows)
         Sessions and hours after today are left out.
    Out  INTERVAL_SCHEMA, five rows a meter in the order of METHODS. interval_days counts from
         the last session; next_on may lie in the past (overdue). null with a reason where a
         method cannot say. A meter without a session: next_on today, by every method.
    """
    rows = _rows(sessions, resets, meters, today=today)
    last = _last(rows, meters)
    answers = {
        "calendar": last.select("meter_id", interval_days=pl.lit(FIRST_DAYS), reason=None),
        "staircase": staircase(rows),
        "control_chart": control_chart(rows, target),
        "in_use_time": in_use(last, use, today=today),
        "reliability": reliability(rows, last, target),
    }
    parts = [_dated(last, answers[name], name, today=today) for name in METHODS]
    order = meters.select("meter_id").with_row_index("_order")
    return (
        pl.concat(parts)
        .join(order, on="meter_id")
        .sort("_order", maintain_order=True)
        .select(pl.col(name).cast(kind) for name, kind in INTERVAL_SCHEMA.items())
    )


def intervals_document(
    table: pl.DataFrame, due: Mapping[str, date | None], *, as_of: date
) -> IntervalsDocument:
    """Return the `report intervals` document.

    In   table: of `interval_table`; due: our own due date of each meter
    """
    methods: dict[str, dict[str, _Next]] = {}
    for row in typed_rows(table, _Next):
        methods.setdefault(row["meter_id"], {})[row["method"]] = row
    return {
        "as_of": as_of,
        "meters": [
            {
                "meter_id": meter,
                "due_date": due.get(meter),
                "calendar": by["calendar"]["next_on"],
                "staircase": by["staircase"]["next_on"],
                "control_chart": by["control_chart"]["next_on"],
                "in_use_time": by["in_use_time"]["next_on"],
                "reliability": by["reliability"]["next_on"],
                "interval_days": {name: row["interval_days"] for name, row in by.items()},
                "reasons": {name: row["reason"] for name, row in by.items() if row["reason"]},
            }
            for meter, by in methods.items()
        ],
    }


def _rows(
    sessions: pl.DataFrame, resets: pl.DataFrame, meters: pl.DataFrame, *, today: date
) -> pl.DataFrame:
    """Return sessions in order with sensitivity, the error left, days since the one before."""
    used = sessions.filter(
        pl.col("gain_error_pct").is_finite() & (pl.col("measured_at").dt.date() <= today)
    ).select(
        "meter_id",
        "gain_error_pct",
        "gain_error_ln",
        pl.col("measured_at").alias("at"),
        pl.col("measured_at").dt.date().alias("day"),
    )
    about = meters.select(
        "meter_id", "tolerance_pct", pl.coalesce("model_group", "kind").alias("group")
    )
    left_ln = pl.col("gain_error_ln") + pl.col("p_before") - pl.col("p_after")
    return (
        programmed(resets, used)
        .join(about, on="meter_id")
        .sort("meter_id", "at")
        .with_columns(
            sensitivity=pl.col("gain_error_ln") + pl.col("p_before"),
            left_pct=percent_from_ln(left_ln),
            point=pl.int_range(pl.len()).over("meter_id"),
            gap_days=(pl.col("day") - pl.col("day").shift(1).over("meter_id")).dt.total_days(),
        )
    )


def _last(rows: pl.DataFrame, meters: pl.DataFrame) -> pl.DataFrame:
    """Return meter_id, group, last (day of the last session or null) for every meter."""
    days = rows.group_by("meter_id").agg(last=pl.col("day").max())
    group = pl.coalesce("model_group", "kind").alias("group")
    return meters.select("meter_id", group).join(
        days, on="meter_id", how="left", maintain_order="left"
    )


def _dated(
    last: pl.DataFrame,
    answer: pl.DataFrame,
    method: str,
    *,
    today: date,
) -> pl.DataFrame:
    """Turn intervals into dates; a meter without a session is due today by every method."""
    never = pl.col("last").is_null()
    days = pl.col("interval_days").clip(0.0, MOST_DAYS)
    next_on = pl.col("last") + pl.duration(days=days.floor().cast(pl.Int64))
    return (
        last.join(answer, on="meter_id", how="left", maintain_order="left")
        .with_columns(interval_days=pl.when(~never).then(days))
        .select(
            "meter_id",
            pl.lit(method).alias("method"),
            "interval_days",
            pl.when(never).then(pl.lit(today)).otherwise(next_on).alias("next_on"),
            pl.when(never).then(pl.lit("Never benched.")).otherwise("reason").alias("reason"),
        )
    )
