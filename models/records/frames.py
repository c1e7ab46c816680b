"""Read the rows of a frame as typed dictionaries."""

from typing import TypeVar, cast

import polars as pl

Row = TypeVar("Row")


def typed_rows(frame: pl.DataFrame, row: type[Row]) -> list[Row]:
    """Return the rows of a frame as dictionaries of a TypedDict, keys in the type's order.

    Columns that the type does not name are left out.
    polars.exceptions.ColumnNotFoundError where a column is missing.
    """
    return cast("list[Row]", frame.select(list(row.__annotations__)).to_dicts())
