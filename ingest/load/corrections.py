"""Rows that were set aside: list them, correct them, write them out and load them again."""

import csv
import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypedDict, cast

import polars as pl

from ingest.load.batches import Batch, prepare
from ingest.load.commit import commit_batch, stored_context
from ingest.load.report import LoadReport
from ingest.load.set_aside import resolve
from ingest.load.sources import entered
from ingest.schema import BENCH, TABLES, Cell, CellProblem, Problem, Table
from ingest.store import Store, StoreError, record
from ingest.validate import EXPORT_COLUMNS, Entry, check_across_rows

LACKING = ("mass_kg", "crank_length_mm")
CELL_COLUMNS = ("cells", "corrected", "now")


class CorrectionError(StoreError):
    """A set-aside row that does not exist, or cannot be corrected by itself."""


class KeptRow(TypedDict):
    """A row of `set_aside_rows`, as far as it is used here."""

    set_aside_id: int
    file: str
    sheet: str | None
    table_name: str | None
    row: int | None
    cells: list[Cell]
    problems: list[CellProblem]
    time_zone: str
    now: list[Cell]
    text: str


def set_aside_rows(store: Store, *, only_open: bool = True) -> pl.DataFrame:
    """Return set-aside rows, newest file first: the columns of SET_ASIDE and

    time_zone   of the file's times without an offset
    now         the cells as corrected so far
    text        what is wrong, in sentences
    """
    with store.reading() as db:
        rows = db.query("set_aside/rows", only_open=only_open)
    rows = rows.with_columns(pl.coalesce("corrected", "cells").alias("now"), text=pl.lit(""))
    texts = [" ".join(problem.sentence() for problem in _problems(row)) for row in _kept(rows)]
    return rows.with_columns(pl.Series("text", texts, dtype=pl.String))


def set_aside_documents(store: Store) -> list[dict[str, Any]]:
    """Return the open set-aside rows as a command prints them: cells and problems as JSON text."""
    rows: list[dict[str, Any]] = []
    for row in set_aside_rows(store).iter_rows(named=True):
        cells = {
            name: _json(by_column(row[name])) for name in CELL_COLUMNS if row[name] is not None
        }
        rows.append(row | cells | {"problems": _json(row["problems"])})
    return rows


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)


def by_column(cells: Iterable[Cell]) -> dict[str, str]:
    """Return the cells of a kept row by their column."""
    return {cell["column"]: cell["text"] for cell in cells}


def correct_set_aside(
    store: Store, set_aside_id: int, values: Mapping[str, str | None]
) -> LoadReport:
    """Put new cells into a set-aside row and load it; what is still wrong is in the report.

    values   column name → text, as a person would write it into the table
    """
    row = _row(store, set_aside_id)
    table = _table_for(row, values)
    before = by_column(row["now"])
    after: dict[str, str | None] = {**before, **values}
    batch = _batch(row, table, [(set_aside_id, row["row"], after)])
    with store.writing() as db:
        report = commit_batch(db, batch)
        old = {name: before.get(name) for name in values}
        record(db, "row corrected", _where(row), before=old, after=dict(values))
    return report


def dismiss_set_aside(store: Store, set_aside_id: int) -> None:
    """Mark a set-aside row as not wanted; loading its file again does not set it aside again."""
    row = _row(store, set_aside_id)
    with store.writing() as db:
        resolve(db, [set_aside_id], "dismissed", now=datetime.now(UTC), import_id=None)
        record(db, "row dismissed", _where(row), before=by_column(row["now"]))


def _where(row: KeptRow) -> str:
    sheet = f", sheet {row['sheet']}" if row["sheet"] else ""
    return f"{row['file']}{sheet}, row {row['row']}"


def retry_lacking(store: Store) -> int:
    """Load bench rows that were set aside for a mass or crank length that another table has now.

    Returns how many load.
    """
    lacks = pl.element().struct.field("column").is_in(LACKING)
    lacks &= pl.element().struct.field("found").is_null()
    rows = set_aside_rows(store).filter(
        (pl.col("table_name") == "bench")
        & (pl.col("cells").list.len() > 0)
        & pl.col("problems").list.eval(lacks).list.all()
    )
    context, loaded = stored_context(store), 0
    for _, group in rows.group_by("file", "sheet", maintain_order=True):
        kept = _kept(group)
        batch = _batch(
            kept[0], BENCH, [(r["set_aside_id"], r["row"], by_column(r["now"])) for r in kept]
        )
        (checked,) = batch.tables
        check_across_rows(checked, BENCH.empty(), context)
        if not checked.frame.is_empty():
            with store.writing() as db:
                loaded += commit_batch(db, batch).rows_loaded
    return loaded


def export_set_aside(store: Store, folder: Path) -> list[Path]:
    """Write the open set-aside rows as CSV, a file a table, to correct and load again.

    The column set_aside_id tells which row a corrected one stands for.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rows = set_aside_rows(store).filter(pl.col("cells").list.len() > 0)
    files = []
    for (name,), group in rows.group_by("table_name", maintain_order=True):
        file = folder / f"{name}-set-aside.csv"
        table = TABLES[str(name)]
        with file.open("w", encoding="utf-8-sig", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerow([*EXPORT_COLUMNS, *table.names])
            for row in _kept(group):
                cells = by_column(row["now"])
                start = [row["set_aside_id"], row["text"]]
                writer.writerow(start + [cells.get(column, "") for column in table.names])
        files.append(file)
    return files


def _kept(rows: pl.DataFrame) -> list[KeptRow]:
    return cast(list[KeptRow], rows.to_dicts())


def _row(store: Store, set_aside_id: int) -> KeptRow:
    rows = set_aside_rows(store).filter(pl.col("set_aside_id") == set_aside_id)
    if rows.is_empty():
        raise CorrectionError(
            f"there is no open set-aside row {set_aside_id}: it may have been corrected already."
        )
    return _kept(rows)[0]


def _table_for(row: KeptRow, values: Mapping[str, str | None]) -> Table:
    """Return the row's table; CorrectionError where cells alone cannot correct the row."""
    if not row["cells"] or row["table_name"] is None:
        raise CorrectionError(f"{row['text']} This concerns the file: mend it, and load it again.")
    table = TABLES[row["table_name"]]
    unknown = [name for name in values if name not in table.names]
    if unknown:
        raise CorrectionError(f"{table.name} has no column {', '.join(unknown)}.")
    return table


def _batch(
    row: KeptRow, table: Table, tries: list[tuple[int, int | None, Mapping[str, str | None]]]
) -> Batch:
    """Return set-aside rows of one file as a batch: (set_aside_id, row number, cells) of each."""
    cells = {name: [tried.get(name) for _, _, tried in tries] for name in table.names}
    entry = Entry(
        table,
        pl.DataFrame(cells, schema=dict.fromkeys(cells, pl.String)),
        row["file"],
        row["sheet"],
        rows=[number or 0 for _, number, _ in tries],
        tickets={number or 0: ticket for ticket, number, _ in tries},
        by_hand=True,
    )
    return prepare(entered(entry), zone=row["time_zone"], kind="correction")


def _problems(row: KeptRow) -> list[Problem]:
    return [Problem(file=row["file"], row=row["row"], **problem) for problem in row["problems"]]
