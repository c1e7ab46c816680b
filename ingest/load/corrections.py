"""Rows that were set aside: list them, correct them, carry them out and in again."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from ingest.load.batches import Batch, prepare
from ingest.load.commit import commit_batch, stored_context
from ingest.load.report import LoadReport
from ingest.load.set_aside import resolve
from ingest.load.sources import entered
from ingest.schema import BENCH, TABLES, Problem, Table
from ingest.store import Store, StoreError, record
from ingest.validate import EXPORT_COLUMNS, Entry, check_across_rows

LACKING = ("mass_kg", "crank_length_mm")


class CorrectionError(StoreError):
    """A set-aside row that does not exist, or cannot be corrected by itself."""


def set_aside_rows(store: Store, *, only_open: bool = True) -> pl.DataFrame:
    """Set-aside rows, newest file first: the columns of `bookkeeping.SET_ASIDE` and

    now    the cells as corrected so far, JSON
    text   what is wrong, in sentences
    """
    with store.reading() as db:
        rows = db.query("set_aside_rows", only_open=only_open)
    texts = [" ".join(p.sentence() for p in _problems(row)) for row in rows.iter_rows(named=True)]
    return rows.with_columns(
        pl.coalesce("corrected", "cells").alias("now"),
        pl.Series("text", texts, dtype=pl.String),
    )


def correct_set_aside(
    store: Store, set_aside_id: int, values: Mapping[str, str | None]
) -> LoadReport:
    """Put new cells into a set-aside row and load it; what is still wrong is in the report.

    values   column name → text, as a person would write it into the table
    """
    row = _row(store, set_aside_id)
    table = _table_for(row, values)
    before = json.loads(str(row["now"]))
    batch = _batch(row, table, [(set_aside_id, _whole(row["row"]), before | dict(values))])
    with store.writing() as db:
        report = commit_batch(db, batch)
        old = {name: before.get(name) for name in values}
        record(db, "row corrected", _where(row), before=old, after=dict(values))
    return report


def dismiss_set_aside(store: Store, set_aside_id: int) -> None:
    """Mark a set-aside row as one that is not wanted; its file will not bring it up again."""
    row = _row(store, set_aside_id)
    with store.writing() as db:
        resolve(db, [set_aside_id], "dismissed", now=datetime.now(UTC), import_id=None)
        record(db, "row dismissed", _where(row), before=json.loads(str(row["now"])))


def _where(row: Mapping[str, object]) -> str:
    sheet = f", sheet {row['sheet']}" if row["sheet"] else ""
    return f"{row['file']}{sheet}, row {row['row']}"


def retry_lacking(store: Store) -> int:
    """Try bench rows again that lacked a mass or a crank length: another table may say it now.

    Returns how many load.
    """
    rows = set_aside_rows(store).filter(
        (pl.col("table_name") == "bench")
        & (pl.col("cells") != "{}")
        & pl.col("problems").map_elements(_only_lacks, return_dtype=pl.Boolean)
    )
    context, loaded = stored_context(store), 0
    for _, group in rows.group_by("file", "sheet", maintain_order=True):
        tries = [
            (line["set_aside_id"], line["row"], json.loads(line["now"]))
            for line in group.iter_rows(named=True)
        ]
        batch = _batch(group.row(0, named=True), BENCH, tries)
        (checked,) = batch.tables
        check_across_rows(checked, BENCH.empty(), context)
        if not checked.frame.is_empty():
            with store.writing() as db:
                loaded += commit_batch(db, batch).rows_loaded
    return loaded


def _only_lacks(problems: str) -> bool:
    """Whether a row was set aside only because other tables did not say its mass or crank."""
    found = [(p["column"], p["found"]) for p in json.loads(problems)]
    return all(column in LACKING and cell is None for column, cell in found)


def export_set_aside(store: Store, folder: Path) -> list[Path]:
    """Write the open set-aside rows as CSV, a file a table, to correct and load again.

    The column set_aside_id tells which row a corrected one stands for.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rows = set_aside_rows(store).filter(pl.col("cells") != "{}")
    files = []
    for (name,), group in rows.group_by("table_name", maintain_order=True):
        file = folder / f"{name}-set-aside.csv"
        table = TABLES[str(name)]
        with file.open("w", encoding="utf-8-sig", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerow([*EXPORT_COLUMNS, *table.names])
            for line in group.iter_rows(named=True):
                cells = json.loads(line["now"])
                start = [line["set_aside_id"], line["text"]]
                writer.writerow(start + [cells.get(column) or "" for column in table.names])
        files.append(file)
    return files


def _row(store: Store, set_aside_id: int) -> dict[str, object]:
    rows = set_aside_rows(store).filter(pl.col("set_aside_id") == set_aside_id)
    if rows.is_empty():
        raise CorrectionError(
            f"there is no open set-aside row {set_aside_id}: it may have been corrected already."
        )
    return rows.row(0, named=True)


def _table_for(row: Mapping[str, object], values: Mapping[str, str | None]) -> Table:
    if row["cells"] == "{}" or row["table_name"] is None:
        raise CorrectionError(f"{row['text']} This concerns the file: mend it, and load it again.")
    table = TABLES[str(row["table_name"])]
    unknown = [name for name in values if name not in table.names]
    if unknown:
        raise CorrectionError(f"{table.name} has no column {', '.join(unknown)}.")
    return table


def _batch(
    row: Mapping[str, object],
    table: Table,
    tries: list[tuple[int, int | None, dict[str, str | None]]],
) -> Batch:
    """Return set-aside rows of one file as a batch: (ticket, row number, cells) of each."""
    file, sheet = str(row["file"]), row["sheet"]
    frame = pl.DataFrame(
        [cells for _, _, cells in tries], schema=dict.fromkeys(table.names, pl.String)
    )
    entry = Entry(
        table,
        frame,
        file,
        None if sheet is None else str(sheet),
        rows=[number or 0 for _, number, _ in tries],
        tickets={number or 0: ticket for ticket, number, _ in tries},
        by_hand=True,
    )
    return prepare(entered(entry), zone=str(row["time_zone"]), kind="correction")


def _problems(row: Mapping[str, object]) -> list[Problem]:
    return [
        Problem(file=str(row["file"]), row=_whole(row["row"]), **document)
        for document in json.loads(str(row["problems"]))
    ]


def _whole(value: object) -> int | None:
    return None if value is None else int(str(value))
