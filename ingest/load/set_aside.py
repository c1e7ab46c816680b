"""Set-aside rows in the store's table `set_aside`: kept once, recognised again, resolved."""

from collections import deque
from collections.abc import Hashable
from dataclasses import dataclass, field
from datetime import datetime
from typing import cast

import polars as pl

from ingest.load.batches import Batch
from ingest.schema import SET_ASIDE, Cell, CellProblem
from ingest.store import Database
from ingest.validate import ROW, Checked, SetAsideRow


@dataclass
class _Kept:
    """A row of the table `set_aside` with which a file's rows are compared."""

    set_aside_id: int
    open: bool


_KeptRows = dict[Hashable, deque[_Kept]]  # by what identifies a row of the file


@dataclass
class SetAsideChanges:
    """What a load changes among the set-aside rows.

    new       rows to keep, each with its table (None: the file as a whole)
    resolved  numbers of kept rows, with how they were resolved
    updated   numbers of kept rows, with what is wrong with them now
    """

    new: list[tuple[SetAsideRow, Checked | None]] = field(default_factory=list)
    resolved: list[tuple[int, str]] = field(default_factory=list)
    updated: list[tuple[int, SetAsideRow]] = field(default_factory=list)


def compare_set_aside(db: Database, batch: Batch) -> SetAsideChanges:
    """Compare a file's set-aside rows with those kept of it; changes the batch.

    A row that is kept already is not kept twice. One that a person corrected or dismissed does
    not come back: it leaves the batch and counts as unchanged. Kept rows that the file does not
    bring again have been corrected in it.
    """
    changes = SetAsideChanges()
    _follow_tickets(batch, changes)
    if batch.kind != "load":
        return changes
    kept = _kept_of(db, str(batch.path))
    batch.set_aside = _compared(batch.set_aside, None, kept=kept, batch=batch, changes=changes)
    for checked in batch.tables:
        checked.set_aside = _compared(
            checked.set_aside, checked, kept=kept, batch=batch, changes=changes
        )
    left = [row for rows in kept.values() for row in rows if row.open]
    changes.resolved += [(row.set_aside_id, "reloaded") for row in left]
    return changes


def _compared(
    rows: list[SetAsideRow],
    checked: Checked | None,
    *,
    kept: _KeptRows,
    batch: Batch,
    changes: SetAsideChanges,
) -> list[SetAsideRow]:
    """Return the rows that stay set aside; adds the new ones among them to `changes`."""
    staying = []
    for entry in rows:
        matches = kept.get(_identity(entry, checked))
        match = matches.popleft() if matches else None
        if match is not None and not match.open:
            batch.add_notice(f"row {entry.row} was settled by hand before, and stays so.")
            continue
        staying.append(entry)
        ticketed = checked is not None and entry.line in checked.tickets
        if match is None and not ticketed:
            changes.new.append((entry, checked))
    return staying


def _follow_tickets(batch: Batch, changes: SetAsideChanges) -> None:
    """Add what became of the kept rows that the batch's rows correct."""
    for checked in batch.tables:
        if not checked.tickets:
            continue
        bad = {entry.line: entry for entry in checked.set_aside}
        good = set(checked.frame[ROW])
        for line, ticket in checked.tickets.items():
            if line in bad:
                changes.updated.append((ticket, bad[line]))
            elif line in good:
                changes.resolved.append((ticket, "corrected"))


def _kept_of(db: Database, path: str) -> _KeptRows:
    kept: _KeptRows = {}
    for row in db.query("set_aside/of_file", path=path).iter_rows(named=True):
        key = _key(row["sheet"], row["table_name"], row["cells"], row["problems"])
        kept.setdefault(key, deque()).append(_Kept(row["set_aside_id"], row["resolved_at"] is None))
    return kept


def _identity(row: SetAsideRow, checked: Checked | None) -> Hashable:
    sheet = checked.sheet if checked else row.problems[0].sheet
    table = checked.table.name if checked else None
    return _key(sheet, table, cells_of(row), problems_of(row))


def _key(
    sheet: str | None, table: str | None, cells: list[Cell], problems: list[CellProblem]
) -> Hashable:
    """Return what identifies a row: its cells; of a whole table, what is wrong with it."""
    content = [(c["column"], c["text"]) for c in cells]
    return sheet, table, tuple(content or [(p["column"], p["found"]) for p in problems])


def cells_of(row: SetAsideRow, *, now: bool = False) -> list[Cell]:
    """Return the filled cells of a row as the store keeps them: as in the file, or as of now."""
    cells = {**row.cells, **row.now} if now else row.cells
    return [{"column": name, "text": text} for name, text in cells.items() if text is not None]


def problems_of(row: SetAsideRow) -> list[CellProblem]:
    """Return the problems of a row as the store keeps them."""
    kept = CellProblem.__annotations__
    found = [{name: getattr(problem, name) for name in kept} for problem in row.problems]
    return cast(list[CellProblem], found)


def write_set_aside(
    db: Database, batch: Batch, changes: SetAsideChanges, *, import_id: int, now: datetime
) -> None:
    """Put the changes into the store."""
    first = db.next_number("set_aside", "set_aside_id") if changes.new else 0
    rows = [
        {
            "set_aside_id": first + i,
            "import_id": import_id,
            "file": str(batch.path),
            "sheet": checked.sheet if checked else row.problems[0].sheet,
            "table_name": checked.table.name if checked else None,
            "row": row.row,
            "cells": cells_of(row),
            "corrected": cells_of(row, now=True) if row.now else None,
            "problems": problems_of(row),
            "session_id": row.session_id,
            "set_aside_at": now,
        }
        for i, (row, checked) in enumerate(changes.new)
    ]
    if rows:
        db.insert("set_aside", pl.DataFrame(rows, schema=SET_ASIDE.polars_schema))
    for resolution in ("corrected", "reloaded"):
        numbers = [number for number, how in changes.resolved if how == resolution]
        if numbers:
            resolve(db, numbers, resolution, now=now, import_id=import_id)
    if changes.updated:
        db.change(
            "set_aside/update",
            set_aside_ids=[number for number, _ in changes.updated],
            corrected=[cells_of(row, now=True) for _, row in changes.updated],
            problems=[problems_of(row) for _, row in changes.updated],
        )


def resolve(
    db: Database, set_aside_ids: list[int], resolution: str, *, now: datetime, import_id: int | None
) -> None:
    """Mark set-aside rows as resolved: reloaded, corrected or dismissed."""
    db.change(
        "set_aside/resolve",
        set_aside_ids=set_aside_ids,
        resolution=resolution,
        now=now,
        import_id=import_id,
    )
