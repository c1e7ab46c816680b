"""Select the rows that hold: on a day, or in a period, and of events the confirmed ones.

Both ends of a period are included and an empty to_date means "still". A handover may fall on one
day: then the row that begins on it is the one that counts from that day on.
"""

from datetime import date

import polars as pl


def confirmed() -> pl.Expr:
    """Return the condition that an event counts: nobody merely proposed or rejected it."""
    return ~pl.col("state").fill_null("confirmed").is_in(["proposed", "rejected"])


def in_force(first: date | pl.Expr, last: date | pl.Expr | None = None) -> pl.Expr:
    """Return the condition that a row holds on a day, or on any day from `first` to `last`."""
    begun = pl.col("from_date") <= (first if last is None else last)
    return begun & (pl.col("to_date").is_null() | (pl.col("to_date") >= first))


def newest_in_force(frame: pl.DataFrame, day: date) -> pl.DataFrame:
    """Return one row a meter: of the rows that hold on a day, the one that began last."""
    rows = frame.filter(in_force(day)).sort("from_date", maintain_order=True)
    return rows.unique("meter_id", keep="last", maintain_order=True)


def rider_on(assignments: pl.DataFrame, meter_id: str, day: date) -> str | None:
    """Return who rides a meter on a day; None for nobody, and for two who began on the same day."""
    rows = assignments.filter(pl.col("meter_id") == meter_id, in_force(day))
    newest = rows.filter(pl.col("from_date") == pl.col("from_date").max())
    riders = newest["rider_id"].drop_nulls().unique()
    return str(riders[0]) if len(riders) == 1 else None
