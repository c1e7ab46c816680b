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


FORMULA = r"^'*[=+\-@\t\r]"
_NUMBER = r"^'*[+\-]?[\d.,\s]+(?:[eE][+\-]?\d+)?\s*%?$"


def without_formulas(cells: pl.DataFrame) -> pl.DataFrame:
    """Return cells with a ' before each text that a spreadsheet program would compute.

    The reader of CSV takes one off again (`ingest.readers`), so that rows load as they were.
    """
    text = pl.col(pl.String)
    live = text.str.contains(FORMULA) & ~text.str.contains(_NUMBER)
    return cells.with_columns(pl.when(live).then(pl.lit("'") + text).otherwise(text).name.keep())
