"""From the store's tables and the evaluated records to what the fleet model looks at.

Pure frames in, frames out.
"""

from __future__ import annotations

import polars as pl

from models.fleet import FleetData

MIRROR_KINDS = ("trainer", "ergometer")
ONE_SIDED = ("crank_arm_left", "pedal_left")


def fleet_data(
    tables: dict[str, pl.DataFrame],
    *,
    meters: pl.DataFrame,
    sessions: pl.DataFrame,
    comparisons: pl.DataFrame,
    resets: pl.DataFrame,
) -> FleetData:
    """The fleet model's data.

    In   tables: the store's tables, already cut to the day; meters: `roster`;
         sessions, comparisons, resets: the frames of the same names (see DEVELOPERS.md)
    Out  FleetData; a meter that shows torque only when turning keeps no bench session, a pair
         that proves nothing no comparison
    """
    return FleetData(
        meters=meters.select("meter_id", "group", "in_service_on"),
        bench=_bench(sessions, meters),
        comparisons=_rides(comparisons, meters, tables["installations"]),
        resets=resets.select(
            "meter_id", "at", "p_before", "p_after", "recorded", "earliest", "latest"
        ),
        events=tables["events"].select(
            "meter_id", "reference_id", "bench_id", pl.col("date").alias("on"), "event", "state"
        ),
        references=_references(tables["references"], comparisons),
        benches=_benches(sessions, tables["mass_sets"]),
    )


def _bench(sessions: pl.DataFrame, meters: pl.DataFrame) -> pl.DataFrame:
    turning_only = meters.filter(~pl.col("static_check").fill_null(True))["meter_id"].implode()
    return sessions.filter(
        pl.col("gain_error_ln").is_finite() & ~pl.col("meter_id").is_in(turning_only)
    ).select(
        "session_id",
        "meter_id",
        pl.col("measured_at").alias("at"),
        "bench_id",
        "place_id",
        "crank_id",
        pl.col("gain_error_ln").alias("found"),
        pl.col("u_session_pct").alias("u_session"),
        pl.col("dof_session").cast(pl.Float64),
        pl.col("u_bench_pct").alias("u_bench"),
        pl.col("u_place_pct").alias("u_place"),
        pl.col("u_crank_pct").alias("u_crank"),
        pl.col("u_meter_pct").alias("u_meter"),
        pl.col("temperature_c").cast(pl.Float64),
    )


def _rides(
    comparisons: pl.DataFrame, meters: pl.DataFrame, installations: pl.DataFrame
) -> pl.DataFrame:
    """Comparisons that prove something, each with the key of its pair effect: the meter and the
    reference; the ring's shape too (an oval ring reads high on the road only), and for a
    one-sided meter the rider (whose left share it sees)."""
    usable = comparisons.filter(pl.col("void").is_null() & pl.col("gain_ratio_ln").is_finite())
    shaped = _ring_shape(usable, installations).join(
        meters.select("meter_id", "kind"), on="meter_id", how="left"
    )
    one_sided = pl.col("kind").is_in(ONE_SIDED) & pl.col("rider_id").is_not_null()
    return shaped.select(
        "comparison_id",
        "meter_id",
        "reference_id",
        pl.col("measured_at").alias("at"),
        pl.col("gain_ratio_ln").alias("ratio"),
        pl.col("u_gain_ratio_pct").alias("u"),
        pl.col("dof").cast(pl.Float64),
        "rider_id",
        pl.col("temperature_c").cast(pl.Float64),
        pair_key=pl.concat_str(
            "meter_id",
            "reference_id",
            pl.when(pl.col("ring_shape") == "oval").then(pl.lit("oval")).otherwise(pl.lit("")),
            pl.when(one_sided).then(pl.col("rider_id")).otherwise(pl.lit("")),
            separator=" | ",
        ),
    )


def _ring_shape(rides: pl.DataFrame, installations: pl.DataFrame) -> pl.DataFrame:
    """The ring's shape on the day of each comparison, from the latest installation by then."""
    since = (
        installations.filter(pl.col("ring_shape").is_not_null())
        .select("meter_id", "ring_shape", "to_date", from_date=pl.col("from_date"))
        .sort("from_date")
    )
    dated = rides.with_columns(_on=pl.col("measured_at").dt.date()).sort("_on")
    joined = dated.join_asof(
        since, left_on="_on", right_on="from_date", by="meter_id", check_sortedness=False
    )
    over = (pl.col("to_date") < pl.col("_on")).fill_null(False)
    return joined.with_columns(
        ring_shape=pl.when(over).then(None).otherwise(pl.col("ring_shape"))
    ).drop("_on", "from_date", "to_date")


def _references(references: pl.DataFrame, comparisons: pl.DataFrame) -> pl.DataFrame:
    """The listed references, and those that only the comparisons name (kind `other`)."""
    listed = references.select("reference_id", "kind", "meter_id")
    unlisted = (
        comparisons.select("reference_id")
        .unique()
        .drop_nulls()
        .join(listed, on="reference_id", how="anti")
        .with_columns(kind=pl.lit("other"), meter_id=pl.lit(None, dtype=pl.String))
    )
    return pl.concat([listed, unlisted]).sort("reference_id")


def _benches(sessions: pl.DataFrame, mass_sets: pl.DataFrame) -> pl.DataFrame:
    """Mass sets in use, with the standard uncertainty that their sessions' budgets give them."""
    return (
        sessions.filter(pl.col("bench_id").is_not_null())
        .group_by("bench_id")
        .agg(u_pct=pl.col("u_bench_pct").median())
        .join(mass_sets.select("bench_id", "source"), on="bench_id", how="left")
        .sort("bench_id")
    )
