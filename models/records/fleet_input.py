"""Turn the store's tables and the evaluated records into what the fleet model looks at.

Pure frames in, frames out.
"""

import polars as pl

from models.fleet import FleetData
from models.records.ride_effects import effects_of_rides
from models.records.step_candidates import after_work, candidate_steps, pedal_cranks


def fleet_data(
    tables: dict[str, pl.DataFrame],
    *,
    meters: pl.DataFrame,
    sessions: pl.DataFrame,
    comparisons: pl.DataFrame,
    resets: pl.DataFrame,
) -> FleetData:
    """Return the fleet model's data.

    In   tables: the store's tables, already cut to the day; meters: `roster`;
         sessions, comparisons: the frames of the same names (see DEVELOPERS.md); resets: the
         slope's changes, known changes of settings among them (`known_changes`)
    Out  FleetData; a meter that shows torque only when turning keeps no bench session, a pair
         that proves nothing no comparison
    """
    installations, references = tables["installations"], tables["references"]
    read = pl.concat([sessions, after_work(sessions, resets)])
    rides = _rides(comparisons)
    return FleetData(
        meters=meters.select("meter_id", "group", "in_service_on"),
        bench=_bench(pedal_cranks(read, meters, tables["events"]), meters),
        comparisons=rides.drop("measured_at").rename({"_at": "at"}),
        resets=resets.select(
            "meter_id", "at", "p_before", "p_after", "recorded", "earliest", "latest"
        ),
        events=candidate_steps(tables["events"], meters, sessions),
        references=_references(references, comparisons),
        benches=_benches(sessions, tables["mass_sets"]),
        ride_effects=effects_of_rides(rides, meters, references, installations),
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


def _rides(comparisons: pl.DataFrame) -> pl.DataFrame:
    """Return comparisons that prove something; those of one pair share a pair effect."""
    usable = comparisons.filter(pl.col("void").is_null() & pl.col("gain_ratio_ln").is_finite())
    return usable.select(
        "comparison_id",
        "meter_id",
        "reference_id",
        "measured_at",
        pl.col("measured_at").alias("_at"),
        pl.col("gain_ratio_ln").alias("ratio"),
        pl.col("u_gain_ratio_pct").alias("u"),
        pl.col("dof").cast(pl.Float64),
        "rider_id",
        pl.col("temperature_c").cast(pl.Float64),
        pair_key=pl.concat_str("meter_id", "reference_id", separator=" | "),
    )


def _references(references: pl.DataFrame, comparisons: pl.DataFrame) -> pl.DataFrame:
    """Return the listed references, and those that only the comparisons name (kind `other`)."""
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
    """Return the mass sets in use with the standard uncertainty of their sessions' budgets."""
    return (
        sessions.filter(pl.col("bench_id").is_not_null())
        .group_by("bench_id")
        .agg(u_pct=pl.col("u_bench_pct").median())
        .join(mass_sets.select("bench_id", "source", "weighed_on"), on="bench_id", how="left")
        .sort("bench_id")
    )
