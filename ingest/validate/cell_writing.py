"""From typed values to the text a person would write: the way back from `cell_parsing`."""

from datetime import date, datetime

import polars as pl
from polars import selectors


def cell_text(value: object) -> str:
    """Return a typed value as a person would write it; numbers to ten significant digits."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, datetime):
        return value.isoformat(timespec="minutes").replace("+00:00", "Z")
    return value.isoformat() if isinstance(value, date) else str(value)


def shown_cells(frame: pl.DataFrame) -> pl.DataFrame:
    """Return rows of an input table in the form that loads again.

    Yes and no for true and false, instants as ISO 8601 to the millisecond with a Z; numbers,
    days and text stay as they are.
    """
    return frame.with_columns(
        selectors.datetime().dt.to_string("%Y-%m-%dT%H:%M:%S%.3fZ"),
        selectors.boolean().replace_strict({True: "yes", False: "no"}, return_dtype=pl.String),
    )
