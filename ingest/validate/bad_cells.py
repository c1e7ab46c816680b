"""The cells of a column that hold something but have no value, each with what would mend it.

What can be read beyond doubt is no bad cell: a number with its column's own unit behind it. It is
taken as it is, and a notice says so.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from ingest.schema import Column, Table
from ingest.validate.cell_parsing import Style, is_blank, numbers, typed
from ingest.validate.day_reading import orders_in
from ingest.validate.suggestions import Suggestion, plain_number, suggest
from ingest.validate.units import without_own_unit

_MORE_THAN_A_NUMBER = r"[^\d.,+\-'’ ]"
_TOLD_ALONE = re.compile(r"[+-]?\d+(\.\d{1,2}|\.\d{4,})?")


@dataclass(frozen=True)
class BadCell:
    """A cell that its column refuses. at: its place among the table's rows, from 0."""

    column: Column
    at: int
    text: str
    suggestion: Suggestion


def without_units(table: Table, given: pl.DataFrame) -> pl.DataFrame:
    """Return the cells with each number's unit taken off where it is the column's own."""
    return given.with_columns(
        without_own_unit(given[column.name], column.unit)
        for column in table.columns
        if column.kind in (float, int) and given[column.name].dtype == pl.String
        if not is_blank(given[column.name])
        if given[column.name].str.contains(_MORE_THAN_A_NUMBER).any()
    )


def units_read(given: pl.DataFrame, bare: pl.DataFrame, values: Iterable[pl.Series]) -> list[str]:
    """Return a notice for each column some of whose cells were read without their unit."""
    notices = []
    for column in values:
        name = column.name
        if given[name].dtype != pl.String or is_blank(given[name]):
            continue
        read = (given[name] != bare[name]) & column.is_not_null()
        if count := int(read.sum()):
            at = int(read.arg_true()[0])
            cells = "1 cell was" if count == 1 else f"{count} cells were"
            example = f'"{given[name][at]}" as {column[at]:.10g}'
            notices.append(f"{name}: {cells} read without the unit, {example}.")
    return notices


def bad_cells(
    column: Column, cells: pl.Series, values: pl.Series, *, style: Style, zone: str
) -> list[BadCell]:
    """Return the cells that hold something but have no value, with what would mend each.

    cells, values   the column as text, and as it was typed
    """
    if is_blank(cells):
        return []
    bad = (cells.is_not_null() & values.is_null()).arg_true()
    if not len(bad):
        return []
    texts = cells.gather(bad)
    read: Sequence[float | None] = [None] * len(bad)
    if column.kind in (float, int):
        read = numbers(without_own_unit(texts, column.unit), style).to_list()
    orders = orders_in(cells.unique())
    made: dict[str, Suggestion] = {}
    for text, value in zip(texts, read, strict=True):
        if text not in made:
            made[text] = suggest(column, text, value, zone=zone, orders=orders)
    return [BadCell(column, at, text, made[text]) for at, text in zip(bad, texts, strict=True)]


def mended(
    frame: pl.DataFrame, cells: pl.DataFrame, bad: Iterable[BadCell], *, zone: str
) -> pl.DataFrame:
    """Return the rows as they would be with every suggestion taken, and `has_` each column."""
    by_column: dict[Column, list[BadCell]] = {}
    for cell in bad:
        if cell.suggestion.value is not None:
            by_column.setdefault(cell.column, []).append(cell)
    columns = {name: frame[name] for name in frame.columns}
    has = {f"has_{name}": cells[name].is_not_null() for name in frame.columns if name in cells}
    for column, found in by_column.items():
        texts = [cell.suggestion.value or None for cell in found]
        values = typed(column, pl.Series(texts, dtype=pl.String), style=Style(), zone=zone)
        places = [cell.at for cell in found]
        columns[column.name] = columns[column.name].scatter(places, values)
        filled = [text is not None for text in texts]
        has[f"has_{column.name}"] = has[f"has_{column.name}"].scatter(places, filled)
    return pl.DataFrame(columns | has)


def told_alone(
    table: Table, cells: Mapping[str, str | None], values: Mapping[str, object]
) -> dict[str, str]:
    """Return the cells of a row whose numbers only the rest of their file tells how to read.

    Out  column → the number, written so that it is read the same by itself
    """
    found = {}
    for column in table.columns:
        text, value = cells[column.name], values[column.name]
        if text is None or column.kind not in (float, int) or _TOLD_ALONE.fullmatch(text):
            continue
        if isinstance(value, float | int):
            found[column.name] = _as_finely(text, value)
    return found


def _as_finely(text: str, value: float) -> str:
    """Return a number with as many decimals as it was typed with: they tell a display's step."""
    behind = re.search(r"[.,](\d+)\D*$", text)
    fine = f"{value:.{len(behind[1])}f}" if behind else ""
    return (
        fine
        if _TOLD_ALONE.fullmatch(fine) and float(fine) == value
        else plain_number(value, digits=10)
    )
