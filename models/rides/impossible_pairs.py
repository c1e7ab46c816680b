"""Pairs that cannot have been ridden as they are written down."""

import polars as pl

from models.wording import Reason

WHEEL_IS_OUT = ("trainer", "ergometer")


def without_impossible(
    comparisons: pl.DataFrame, meters: pl.DataFrame, references: pl.DataFrame
) -> pl.DataFrame:
    """Return comparisons with `void` set where the pair cannot be.

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
        void=pl.when(refused).then(pl.lit(str(Reason("hub_on_trainer")))).otherwise(pl.col("void"))
    )
