"""Which table of the schema a sheet's columns fit, and which column is which."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache

import polars as pl

from ingest.matching.meaning import ColumnSeen
from ingest.matching.records.table_columns import COLUMNS, MADE_UP, TITLES
from ingest.matching.sheets import Kind
from ingest.matching.words import plain, tokens
from ingest.schema import TABLES, Column
from ingest.validate import chosen, meant

LEAST_UNDERSTOOD = 0.6  # of a column of choices
TITLE_WORTH = 1.5  # columns


@dataclass
class TableFit:
    """How well a table fits a sheet. places: column of the schema → column of the sheet."""

    table: str
    places: dict[str, ColumnSeen] = field(default_factory=dict)
    score: float = 0.0


def best_table(columns: Sequence[ColumnSeen], titles: Sequence[str]) -> TableFit | None:
    """Return the table that a sheet's columns fit best; None where none does, or two do alike.

    titles  the sheet's and the file's name, and the lines above the table
    """
    fits = sorted(
        (fit for name in COLUMNS if (fit := _fit(name, columns, titles)) is not None),
        key=lambda fit: fit.score,
        reverse=True,
    )
    if not fits or (len(fits) > 1 and fits[1].score == fits[0].score):
        return None
    return fits[0]


def _fit(name: str, columns: Sequence[ColumnSeen], titles: Sequence[str]) -> TableFit | None:
    table, made_up = TABLES[name], MADE_UP.get(name, {})
    fit = TableFit(name)
    free = [column for column in columns if column.filled]
    for column_name, concepts in COLUMNS[name].items():
        best = _best(table.column(column_name), concepts, free)
        if best is not None:
            fit.places[column_name] = best
            free.remove(best)
    needed = [c for c in table.required if c not in made_up]
    if table.exactly_one:
        needed.append(table.exactly_one[0])
    if name == "meters":  # what a list of meters often lacks is asked, not needed to know it
        needed = ["meter_id"]
    if any(c not in fit.places for c in needed):
        return None
    if name in ("meters", "riders") and len(fit.places) < 2:
        return None
    said = {word for title in titles for word in tokens(title)}
    titled = bool(said & _title_words(name))
    fit.score = len(fit.places) + TITLE_WORTH * titled - 0.5 * len(free)
    return fit


@cache
def _title_words(name: str) -> frozenset[str]:
    return frozenset(plain(word) for word in TITLES.get(name, "").split())


def _best(column: Column, concepts: Sequence[str], free: Sequence[ColumnSeen]) -> ColumnSeen | None:
    """Return the column of the sheet for a column of the schema: its words and its values fit."""
    ranked = [
        (concepts.index(concept), -seen.certain, seen.at, seen)
        for seen in free
        for concept in concepts
        if concept in seen.concepts and could_hold(column, seen)
    ]
    return min(ranked, key=lambda entry: entry[:3])[3] if ranked else None


def could_hold(column: Column, seen: ColumnSeen) -> bool:
    """Return whether the values of a sheet's column are of the kind that a column takes."""
    if column.kind in (date, datetime):
        return seen.mostly(Kind.DAY) or _are_serial_days(seen)
    if column.choices:
        return understood(column, seen.cells) >= LEAST_UNDERSTOOD
    if column.kind in (float, int):
        times = column.unit == "s" and seen.mostly(Kind.TIME)
        return seen.is_numeric or times
    return not seen.mostly(Kind.DAY) and not (seen.is_numeric and _has_decimals(seen))


def understood(column: Column, cells: Sequence[str]) -> float:
    """Return the share of filled cells whose words name a choice of a column."""
    filled = [cell for cell in cells if cell]
    if not filled:
        return 0.0
    return sum(choice_of(column, cell) is not None for cell in filled) / len(filled)


def choice_of(column: Column, cell: str) -> str | None:
    """Return the choice that a cell names, in the schema's words or in a workshop's."""
    own = chosen(column, pl.Series([cell], dtype=pl.String))[0]
    return str(own) if own is not None else meant(column, cell)


def _are_serial_days(seen: ColumnSeen) -> bool:
    return bool(seen.values) and all(36526 <= value <= 73050 for value in seen.values)


def _has_decimals(seen: ColumnSeen) -> bool:
    return any(value != int(value) for value in seen.values)
