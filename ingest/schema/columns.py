"""What a column and a table of the schema are, and what derives from them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

import polars as pl

Kind = type[str] | type[float] | type[int] | type[bool] | type[date] | type[datetime]

POLARS_TYPES: dict[Kind, pl.DataType] = {
    str: pl.String(),
    float: pl.Float64(),
    int: pl.Int64(),
    bool: pl.Boolean(),
    date: pl.Date(),
    datetime: pl.Datetime("us", "UTC"),
}
SQL_TYPES: dict[Kind, str] = {
    str: "VARCHAR",
    float: "DOUBLE",
    int: "BIGINT",
    bool: "BOOLEAN",
    date: "DATE",
    datetime: "TIMESTAMPTZ",
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
    """One column: `low` and `high` are inclusive unless `positive` (then > 0) is set."""

    name: str
    kind: Kind = str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    positive: bool = False
    choices: tuple[str, ...] = ()
    or_teeth: bool = False
    required: bool = False
    meaning: str = ""

    @property
    def dtype(self) -> pl.DataType:
        return POLARS_TYPES[self.kind]

    @property
    def label(self) -> str:
        """Axis label: the name in words, with its unit."""
        words = self.name.replace("_", " ")
        return f"{words}, {self.unit}" if self.unit else words

    def expectation(self) -> str:
        """What a cell of this column must hold, in words: `millimetres, 100 to 250`."""
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

    key          columns that know a row; without one, rows are measurements that may repeat
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
    def polars_schema(self) -> dict[str, pl.DataType]:
        return {column.name: column.dtype for column in self.columns}

    def column(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)

    def conform(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The frame with exactly this table's columns, in order, typed; absent ones null."""
        return frame.select(
            (pl.col(c.name) if c.name in frame.columns else pl.lit(None))
            .cast(c.dtype)
            .alias(c.name)
            for c in self.columns
        )

    def empty(self) -> pl.DataFrame:
        return pl.DataFrame(schema=self.polars_schema)


def create_sql(table: Table) -> str:
    """The DDL of a table's physical form."""
    columns = ", ".join(f'"{c.name}" {SQL_TYPES[c.kind]}' for c in table.columns)
    return f'CREATE TABLE IF NOT EXISTS "{table.name}" ({columns})'
