"""Rows that were set aside: list them, correct them, write them out and load them again."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TypedDict, cast

import polars as pl

from ingest.load.batches import LOAD_ORDER, Batch, prepare
from ingest.load.commit import DEPENDED_ON, commit_batch, stored_context
from ingest.load.report import LoadReport
from ingest.load.set_aside import resolve
from ingest.load.sources import entered
from ingest.schema import BENCH, TABLES, Cell, CellProblem, Problem, Table
from ingest.store import Database, Store, StoreError, record
from ingest.validate import EXPORT_COLUMNS, Entry, check_across_rows, without_formulas

LACKING = ("mass_kg", "crank_length_mm")


class CorrectionError(StoreError):
    """A set-aside row that does not exist, or cannot be corrected by itself."""


class Accepted(TypedDict):
    """What taking suggestions did.

    cells        how many were taken
    rows_loaded  rows that are in the store now
    rows_left    rows that still wait: something else is wrong with them
    notices      what is to be known of it
    """

    cells: int
    rows_loaded: int
    rows_left: int
    notices: list[str]


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


def by_column(cells: Iterable[Cell]) -> dict[str, str]:
    """Return the cells of a kept row by their column."""
    return {cell["column"]: cell["text"] for cell in cells}


def correct_set_aside(
    store: Store, set_aside_id: int, values: Mapping[str, str | None]
) -> LoadReport:
    """Put new cells into a set-aside row and load it; what is still wrong is in the report.

    values   column name → text, as a person would write it into the table
    Others from the same row of the same sheet, with the same wrong in the same cells, are it too.
    """
    row = _row(store, set_aside_id)
    table = _table_for(row, values)
    before = by_column(row["now"])
    others = _of_same_cells(store, row) if _is_all_that_is_wrong(row, values) else []
    same = [row, *others]
    tries: list[tuple[int, int | None, Mapping[str, str | None]]] = [
        (one["set_aside_id"], one["row"], {**by_column(one["now"]), **values}) for one in same
    ]
    with store.writing() as db:
        report = commit_batch(db, _batch(row, table, tries))
        old = {name: before.get(name) for name in values}
        record(db, "row corrected", _where(row), before=old, after=dict(values))
    return report


def _is_all_that_is_wrong(row: KeptRow, values: Mapping[str, str | None]) -> bool:
    return {name for name, _ in _wrong_cells(row)} == set(values)


def _of_same_cells(store: Store, row: KeptRow) -> list[KeptRow]:
    """Return the other set-aside rows that a sheet's row gave, wrong by the same cells alone."""
    wrong = _wrong_cells(row)
    if not wrong or row["row"] is None:
        return []
    return [
        other
        for other in _kept(set_aside_rows(store))
        if other["set_aside_id"] != row["set_aside_id"]
        and _place(other) == _place(row)
        and _wrong_cells(other) == wrong
    ]


def _place(row: KeptRow) -> tuple[object, ...]:
    session = by_column(row["now"]).get("session_id")
    return row["file"], row["sheet"], row["table_name"], row["row"], session


def _wrong_cells(row: KeptRow) -> set[tuple[str | None, str | None]]:
    return {(problem["column"], problem["found"]) for problem in row["problems"]}


def accept_suggestions(store: Store, *, only: Collection[str] = tuple(TABLES)) -> Accepted:
    """Take every suggestion that is sure, in all set-aside rows of the tables in `only`.

    The rows of a file and table are corrected together, as one import that can be taken back.
    """
    done: Accepted = {"cells": 0, "rows_loaded": 0, "rows_left": 0, "notices": []}
    depended_on = False
    for rows in _together(_kept(set_aside_rows(store)), only):
        table, taken = TABLES[str(rows[0]["table_name"])], [_sure_cells(row) for row in rows]
        tries = [
            (row["set_aside_id"], row["row"], {**by_column(row["now"]), **cells})
            for row, cells in zip(rows, taken, strict=True)
        ]
        with store.writing() as db:
            report = commit_batch(db, _batch(rows[0], table, tries))
            _record_taken(db, rows, taken)
        left = sum(table.rows_set_aside for table in report.files)
        depended_on |= table.name in DEPENDED_ON
        done["cells"] += sum(map(len, taken))
        done["rows_loaded"] += len(rows) - left
        done["rows_left"] += left
        done["notices"] += report.notices
    if depended_on:
        retry_lacking(store)
    return done


def _together(rows: list[KeptRow], only: Collection[str]) -> Iterator[list[KeptRow]]:
    """Yield the rows with sure suggestions by file and table, those others refer to first."""
    groups: dict[tuple[int, str, str], list[KeptRow]] = {}
    for row in rows:
        if row["table_name"] in only and row["table_name"] and _sure_cells(row):
            order = LOAD_ORDER[row["table_name"]]
            groups.setdefault((order, row["file"], row["sheet"] or ""), []).append(row)
    yield from (groups[key] for key in sorted(groups))


def _sure_cells(row: KeptRow) -> dict[str, str | None]:
    """Return the suggestions of a row that are sure: column → what is to stand there."""
    return {
        problem["column"]: problem["suggested"] or None
        for problem in row["problems"]
        if problem["sure"] and problem["column"] and problem["suggested"] is not None
    }


def _record_taken(db: Database, rows: list[KeptRow], taken: list[dict[str, str | None]]) -> None:
    before, after = {}, {}
    for row, cells in zip(rows, taken, strict=True):
        stood = by_column(row["now"])
        for column, text in cells.items():
            before[f"row {row['row']}, {column}"] = stood.get(column)
            after[f"row {row['row']}, {column}"] = text
    sheet = f", sheet {rows[0]['sheet']}" if rows[0]["sheet"] else ""
    record(db, "suggestions accepted", f"{rows[0]['file']}{sheet}", before=before, after=after)


def dismiss_set_aside(store: Store, set_aside_id: int) -> None:
    """Mark a set-aside row as not wanted; loading its file again does not set it aside again."""
    row = _row(store, set_aside_id)
    numbers = [set_aside_id, *(other["set_aside_id"] for other in _of_same_cells(store, row))]
    with store.writing() as db:
        resolve(db, numbers, "dismissed", now=datetime.now(UTC), import_id=None)
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
        lines = [
            (str(row["set_aside_id"]), row["text"], *map(by_column(row["now"]).get, table.names))
            for row in _kept(group)
        ]
        schema = dict.fromkeys([*EXPORT_COLUMNS, *table.names], pl.String)
        cells = pl.DataFrame(lines, schema=schema, orient="row")
        without_formulas(cells).write_csv(file, include_bom=True)
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
    row: KeptRow, table: Table, tries: Sequence[tuple[int, int | None, Mapping[str, str | None]]]
) -> Batch:
    """Return set-aside rows of one file as a batch: (set_aside_id, row number, cells) of each."""
    cells = {
        name: [tried.get(name) for _, _, tried in tries]
        for name in table.names
        if any(name in tried for _, _, tried in tries)
    }
    entry = Entry(
        table,
        pl.DataFrame(cells, schema=dict.fromkeys(cells, pl.String)),
        row["file"],
        row["sheet"],
        rows=[number or 0 for _, number, _ in tries],
        tickets={at: ticket for at, (ticket, _, _) in enumerate(tries)},
        by_hand=True,
    )
    return prepare(entered(entry), zone=row["time_zone"], kind="correction")


def _problems(row: KeptRow) -> list[Problem]:
    return [Problem(file=row["file"], row=row["row"], **problem) for problem in row["problems"]]
