"""Pairs that cannot have been ridden as they are written down."""

from __future__ import annotations

import polars as pl

HUB_ON_TRAINER = (
    "A hub cannot be ridden on a trainer that replaces the rear wheel, nor on an ergometer: it was "
    "not in the bike. Check which meter and which reference this ride was; a hub is compared "
    "with another meter on the same bike."
)
WHEEL_IS_OUT = ("trainer", "ergometer")


def without_impossible(
    comparisons: pl.DataFrame, meters: pl.DataFrame, references: pl.DataFrame
) -> pl.DataFrame:
    """Comparisons with `void` set where the pair cannot be.

    In   comparisons: comparison_results; meters: meter_id, kind; references: reference_id,
         kind, keeps_wheel (a trainer that drives the tyre leaves the hub in the bike)
    """
    hubs = meters.filter(pl.col("kind") == "hub")["meter_id"].implode()
    keeps = (
        pl.col("keeps_wheel").fill_null(False)
        if "keeps_wheel" in references.columns
        else pl.lit(False)
    )
    indoor = references.filter(pl.col("kind").is_in(WHEEL_IS_OUT) & ~keeps)["reference_id"]
    refused = pl.col("meter_id").is_in(hubs) & pl.col("reference_id").is_in(indoor.implode())
    return comparisons.with_columns(
        void=pl.when(refused).then(pl.lit(HUB_ON_TRAINER)).otherwise(pl.col("void"))
    )
