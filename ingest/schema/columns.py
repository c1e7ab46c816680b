"""What a column and a table of the schema are, and what derives from them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from typing import Literal, TypedDict

import polars as pl

from ingest.schema.problems import CellProblem


class Cell(TypedDict):
    """A cell of a row that was set aside, as it stands in the file."""

    column: str
    text: str


# Cell and CellProblem: a column of lists of them, in the store's own tables alone.
Kind = (
    type[str] | type[float] | type[int] | type[bool] | type[date] | type[datetime]
    | type[Cell] | type[CellProblem]
)  # fmt: skip


POLARS_TYPES: dict[Kind, pl.DataType] = {
    str: pl.String(),
    float: pl.Float64(),
    int: pl.Int64(),
    bool: pl.Boolean(),
    date: pl.Date(),
    datetime: pl.Datetime("us", "UTC"),
    Cell: pl.List(pl.Struct(dict.fromkeys(Cell.__annotations__, pl.String))),
    CellProblem: pl.List(
        pl.Struct(dict.fromkeys(CellProblem.__annotations__, pl.String) | {"sure": pl.Boolean})
    ),
}
SQL_TYPES: dict[Kind, str] = {
    str: "VARCHAR",
    float: "DOUBLE",
    int: "BIGINT",
    bool: "BOOLEAN",
    date: "DATE",
    datetime: "TIMESTAMPTZ",
    Cell: 'STRUCT("column" VARCHAR, "text" VARCHAR)[]',
    CellProblem: 'STRUCT(sheet VARCHAR, "column" VARCHAR, found VARCHAR, expected VARCHAR, '
    "fix VARCHAR, suggested VARCHAR, sure BOOLEAN, reason VARCHAR)[]",
}
KIND_WORDS: dict[Kind, str] = {
    str: "text",
    float: "number",
    int: "whole number",
    bool: "yes or no",
    date: "date (2026-03-14)",
    datetime: "date and time (2026-03-14T09:30)",
}


@dataclass(frozen=True)
class Column:
    """One column.

    low, high  the values it takes, both included; with `positive` they are above 0
    choices    the words it takes; with `or_teeth` a number of teeth as well
    decimals_of  the column whose decimals, as they were typed, it holds if they end in a zero:
               rows that differ in it alone are the same
    """

    name: str
    kind: Kind = str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    positive: bool = False
    choices: tuple[str, ...] = ()
    or_teeth: bool = False
    required: bool = False
    decimals_of: str = ""
    meaning: str = ""

    @property
    def dtype(self) -> pl.DataType:
        return POLARS_TYPES[self.kind]

    def expectation(self) -> str:
        """Return what a cell must hold, in words: `millimetres, 100 to 250`."""
        if self.choices:
            listed = ", ".join(self.choices)
            return f"one of: {listed}" + (", or a number of teeth" if self.or_teeth else "")
        words = UNIT_WORDS.get(self.unit, self.unit) or KIND_WORDS[self.kind]
        if self.kind is int and self.unit:
            words = f"{words}, a whole number"
        return words + self._range_words()

    def _range_words(self) -> str:
        if self.positive:
            return ", above 0" + (f", up to {self.high:.10g}" if self.high is not None else "")
        if self.low is not None and self.high is not None:
            return f", {self.low:.10g} to {self.high:.10g}"
        if self.low is not None:
            return f", {self.low:.10g} or more"
        return ""


def typed_columns(
    frame: pl.DataFrame, wanted: Mapping[str, pl.DataType | type[pl.DataType]]
) -> list[pl.Expr]:
    """Return a frame's wanted columns, cast to their types; null where the frame has none."""
    return [
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(dtype).alias(name)
        for name, dtype in wanted.items()
    ]


UNIT_WORDS = {
    "mm": "millimetres",
    "kg": "kilograms",
    "g": "grams",
    "N·m": "newton metres",
    "°C": "degrees Celsius",
    "%": "percent",
    "m/s²": "metres per second squared",
    "°": "degrees",
    "m": "metres",
    "min": "minutes",
    "s": "seconds",
    "W": "watts",
    "rpm": "revolutions per minute",
    "V": "volts",
    "teeth": "number of teeth",
    "a week": "number a week",
}


@dataclass(frozen=True)
class Table:
    """One table.

    key          columns that identify a row; without one, rows are measurements that may repeat
    on_change    what another row with the same key does: it replaces the first, or is a conflict
    together     columns that are given both or not at all
    same_within  (group column, columns that must agree within a group)
    ordered      pairs of columns of which the second is no smaller than the first
    """

    name: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    key_may_be_empty: bool = False
    on_change: Literal["replace", "conflict"] = "replace"
    exactly_one: tuple[str, ...] = ()
    at_least_one: tuple[str, ...] = ()
    at_most_one: tuple[str, ...] = ()
    together: tuple[str, ...] = ()
    same_within: tuple[str, tuple[str, ...]] | None = None
    ordered: tuple[tuple[str, str], ...] = ()

    @property
    def names(self) -> list[str]:
        return [column.name for column in self.columns]

    @property
    def required(self) -> list[str]:
        return [column.name for column in self.columns if column.required]

    @property
    def completed(self) -> list[str]:
        """Return the columns that a row which lacks them takes from the stored row of its key."""
        return [name for name in self.names if name not in self.key] if self.key else []

    @cached_property
    def polars_schema(self) -> pl.Schema:
        return pl.Schema({column.name: column.dtype for column in self.columns})

    @cached_property
    def _empty(self) -> pl.DataFrame:
        return pl.DataFrame(schema=self.polars_schema)

    def column(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)

    def conform(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Return the frame with exactly this table's columns, in order, typed; absent ones null."""
        if frame.schema == self.polars_schema:
            return frame.clone()
        return frame.select(typed_columns(frame, self.polars_schema))

    def empty(self) -> pl.DataFrame:
        return self._empty.clone()
