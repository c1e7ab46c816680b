"""From the declared type of a row to the columns of a frame of such rows."""

from types import NoneType, UnionType
from typing import Annotated, get_args, get_origin, get_type_hints, is_typeddict

import polars as pl

from ingest.schema.columns import POLARS_TYPES


def frame_schema(row: type) -> dict[str, pl.DataType]:
    """Return the polars type of each column of a frame whose rows are the TypedDict `row`.

    `X | None` is a column of X with nulls, a list is a List, a TypedDict in it a Struct;
    `Annotated[X, dtype]` says the polars type itself.
    """
    hints = get_type_hints(row, include_extras=True)
    return {name: _dtype(hint) for name, hint in hints.items()}


def _dtype(hint: object) -> pl.DataType:
    arguments = [argument for argument in get_args(hint) if argument is not NoneType]
    if isinstance(hint, UnionType):
        return _dtype(arguments[0])
    if get_origin(hint) is Annotated:
        dtype = arguments[1]
        assert isinstance(dtype, pl.DataType)
        return dtype
    if get_origin(hint) is list:
        return pl.List(_dtype(arguments[0]))
    assert isinstance(hint, type)
    return pl.Struct(frame_schema(hint)) if is_typeddict(hint) else POLARS_TYPES[hint]
