"""Date the changes of the slope that nobody wrote down, where a recorded event accounts for one.

A new side of a pair, a service at the maker's, a new firmware come with the factory's slope.
Where a session meets just that, and such an event lies since the session before, the change is
dated to the event.
"""

import polars as pl

from ingest.schema import confirmed

ONE_SIDE = ("service", "factory_service", "other")
WHOLE = ("factory_service", "firmware_update", "setting_change")
SAME_SLOPE = 5e-4
_UTC = pl.Datetime("us", "UTC")


def dated_by_events(
    hidden: pl.DataFrame, rows: pl.DataFrame, events: pl.DataFrame | None
) -> pl.DataFrame:
    """Return unrecorded changes, those that an event accounts for dated to it and recorded.

    In   hidden: meter_id, session_id, recorded, earliest, latest and any other columns
         rows: session_id, before and last (the slope met, the one left before), both with
         _left and _right, factory_slope; events: the table, or None
    Out  hidden's columns and rows
    """
    if events is None or events.is_empty() or hidden.is_empty():
        return hidden
    happened = events.filter(
        pl.col("meter_id").is_not_null() & pl.col("event").is_in([*ONE_SIDE, *WHOLE]) & confirmed()
    ).select(
        "meter_id",
        "event",
        "side",
        _at=pl.col("date").cast(pl.Datetime("us")).dt.replace_time_zone("UTC").cast(_UTC),
    )
    sides = [f"{when}_{side}" for when in ("before", "last") for side in ("left", "right")]
    met = rows.select("session_id", "before", *sides, "factory_slope")
    dates = (
        hidden.join(met, on="session_id", how="left")
        .join(happened, on="meter_id", how="inner")
        .filter(
            (pl.col("_at") > pl.col("earliest"))
            & (pl.col("_at") <= pl.col("latest"))
            & _accounts_for_it()
        )
        .group_by("session_id", maintain_order=True)
        .agg(pl.col("_at").max())
    )
    known = pl.col("_at").is_not_null()
    return (
        hidden.join(dates, on="session_id", how="left", maintain_order="left")
        .with_columns(
            recorded=pl.when(known).then(pl.lit(True)).otherwise(pl.col("recorded")),
            earliest=pl.coalesce("_at", "earliest"),
            latest=pl.coalesce("_at", "latest"),
        )
        .select(hidden.columns)
    )


def _accounts_for_it() -> pl.Expr:
    """Tell whether the event brings the factory's slope, and that slope was met."""
    side = pl.col("side").fill_null("both")
    left, right = (
        _factory(pl.col(f"before_{s}")) & ~_factory(pl.col(f"last_{s}")) for s in ("left", "right")
    )
    new_side = pl.when(side == "left").then(left).otherwise(right)
    one = side.is_in(["left", "right"]) & pl.col("event").is_in(ONE_SIDE) & new_side
    whole = (side == "both") & pl.col("event").is_in(WHOLE) & _factory(pl.col("before"))
    return (one | whole).fill_null(False)


def _factory(slope: pl.Expr) -> pl.Expr:
    return (slope / pl.col("factory_slope") - 1).abs() < SAME_SLOPE
