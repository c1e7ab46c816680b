"""From the declared type of a row to the columns of a frame of such rows, and back."""

from collections.abc import Callable, Hashable, Mapping, Sequence
from functools import cache
from types import NoneType, UnionType
from typing import (
    Annotated,
    Any,
    NotRequired,
    TypeVar,
    cast,
    get_args,
    get_origin,
    get_type_hints,
    is_typeddict,
)

import polars as pl

from ingest.schema.columns import POLARS_TYPES

T = TypeVar("T")
Change = Callable[[Any], Any]
NUMBER_OR_TEXT = pl.Struct({"number": pl.Float64(), "text": pl.String()})


def frame_schema(row: type) -> dict[str, pl.DataType]:
    """Return the polars type of each column of a frame whose rows are the TypedDict `row`.

    `X | None` is a column of X with nulls, a list is a List, a TypedDict in it a Struct;
    a number or text is NUMBER_OR_TEXT, a dictionary by text a list of key and value;
    `Annotated[X, dtype]` says the polars type itself.
    """
    return {name: _dtype(hint) for name, hint in _hints(row).items()}


def document_column(documents: Sequence[Mapping[str, Any]], declared: type) -> pl.Series:
    """Return documents, which are of a declared TypedDict, as a column named "document"."""
    change = _to_frame(cast("Hashable", declared))
    rows = [change(document) for document in documents] if change else documents
    frame = pl.DataFrame(rows, schema=frame_schema(declared), orient="row", strict=False)
    return frame.to_struct("document")


def documents_in(column: pl.Series, declared: type[T]) -> list[T]:
    """Return the documents of such a column; a key that may be left out is, where it is null."""
    change = _from_frame(cast("Hashable", declared))
    rows = column.to_list()
    return cast("list[T]", [change(row) for row in rows] if change else rows)


def _dtype(hint: Any) -> pl.DataType:
    kind, parts = _plain(hint), get_args(_plain(hint))
    if isinstance(kind, UnionType):
        return NUMBER_OR_TEXT
    if get_origin(kind) is Annotated:
        dtype = parts[1]
        assert isinstance(dtype, pl.DataType)
        return dtype
    if get_origin(kind) is list:
        return pl.List(_dtype(parts[0]))
    if get_origin(kind) is dict:
        return pl.List(pl.Struct({"key": pl.String(), "value": _dtype(parts[1])}))
    return pl.Struct(frame_schema(kind)) if is_typeddict(kind) else POLARS_TYPES[kind]


@cache
def _hints(row: type) -> dict[str, Any]:
    return get_type_hints(row, include_extras=True)


@cache
def _plain(hint: Any) -> Any:
    """Return what a key holds where it is there and not null."""
    if get_origin(hint) is NotRequired:
        return _plain(get_args(hint)[0])
    if not isinstance(hint, UnionType):
        return hint
    known = [part for part in get_args(hint) if part is not NoneType]
    return known[0] if len(known) == 1 else hint


@cache
def _to_frame(hint: Any) -> Change | None:
    """Return what makes a value one that a frame holds; None where it is one."""
    kind, parts = _plain(hint), get_args(_plain(hint))
    if isinstance(kind, UnionType):
        return lambda value: {"text" if isinstance(value, str) else "number": value}
    if get_origin(kind) is dict:
        return lambda value: [{"key": key, "value": one} for key, one in value.items()]
    return _within(kind, parts, _to_frame)


@cache
def _from_frame(hint: Any) -> Change | None:
    """Return what undoes `_to_frame`, and leaves out what a document may leave out."""
    kind, parts = _plain(hint), get_args(_plain(hint))
    if isinstance(kind, UnionType):
        return lambda value: value["number"] if value["text"] is None else value["text"]
    if get_origin(kind) is dict:
        return lambda value: {one["key"]: one["value"] for one in value}
    return _within(kind, parts, _from_frame)


def _within(
    kind: Any, parts: tuple[Any, ...], change: Callable[[Any], Change | None]
) -> Change | None:
    """Return a change of what a list or a document holds; None where nothing in it changes."""
    if get_origin(kind) is list:
        one = change(parts[0])
        return (lambda values: [value and one(value) for value in values]) if one else None
    if not is_typeddict(kind):
        return None
    hints = _hints(kind)
    changes = {name: made for name, hint in hints.items() if (made := change(hint))}
    optional = [name for name, hint in hints.items() if get_origin(hint) is NotRequired]
    if not changes and not optional:
        return None

    def changed(row: Mapping[str, Any]) -> Mapping[str, Any]:
        new = {
            name: value for name, value in row.items() if value is not None or name not in optional
        }
        return new | {
            name: made(new[name]) for name, made in changes.items() if new.get(name) is not None
        }

    return changed
