"""Rows set aside, as the store keeps them: found again, resolved, never doubled."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

import polars as pl

from ingest.load.batches import Batch
from ingest.schema import SET_ASIDE
from ingest.store import Database
from ingest.validate import Checked, SetAsideRow


@dataclass
class _Kept:
    """A row of the `set_aside` table that a file's rows are compared with."""

    set_aside_id: int
    open: bool


@dataclass
class SetAsideChanges:
    """What a load changes among the set-aside rows."""

    new: list[tuple[SetAsideRow, Checked | None]] = field(default_factory=list)
    resolved: list[tuple[int, str]] = field(default_factory=list)
    updated: list[tuple[int, SetAsideRow]] = field(default_factory=list)


def compare_set_aside(db: Database, batch: Batch) -> SetAsideChanges:
    """Compare a file's set-aside rows with those kept of it.

    A row that is kept already is not kept twice. One that a person corrected by hand does not
    come back: it leaves the batch and counts as unchanged. Kept rows that the file does not
    bring again have been corrected in it.
    """
    changes = SetAsideChanges()
    _follow_tickets(batch, changes)
    if batch.kind == "correction":
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
    kept: dict[str, deque[_Kept]],
    batch: Batch,
    changes: SetAsideChanges,
) -> list[SetAsideRow]:
    """The rows that stay set aside; the new ones among them are noted in `changes`."""
    staying = []
    for entry in rows:
        matches = kept.get(_identity(entry, checked))
        match = matches.popleft() if matches else None
        if match is not None and not match.open:
            batch.add_notice(f"row {entry.row} was settled by hand before, and stays so.")
            continue
        staying.append(entry)
        ticketed = checked is not None and entry.row in checked.tickets
        if match is None and not ticketed:
            changes.new.append((entry, checked))
    return staying


def _follow_tickets(batch: Batch, changes: SetAsideChanges) -> None:
    """Rows that say which set-aside row they correct."""
    for checked in batch.tables:
        if not checked.tickets:
            continue
        bad = {entry.row: entry for entry in checked.set_aside}
        good = set(checked.frame["row_"])
        for row, ticket in checked.tickets.items():
            if row in bad:
                changes.updated.append((ticket, bad[row]))
            elif row in good:
                changes.resolved.append((ticket, "corrected"))


def _kept_of(db: Database, path: str) -> dict[str, deque[_Kept]]:
    kept: dict[str, deque[_Kept]] = {}
    for row in db.query("set_aside_of_file", path=path).iter_rows(named=True):
        key = _key(row["sheet"], row["table_name"], row["cells"], row["problems"])
        kept.setdefault(key, deque()).append(_Kept(row["set_aside_id"], row["resolved_at"] is None))
    return kept


def _identity(entry: SetAsideRow, checked: Checked | None) -> str:
    sheet = checked.sheet if checked else entry.problems[0].sheet
    table = checked.table.name if checked else None
    return _key(sheet, table, cells_text(entry), problems_text(entry))


def _key(sheet: str | None, table: str | None, cells: str, problems: str) -> str:
    """A row is known by its cells; a whole table, which has none, by what is wrong with it."""
    return json.dumps([sheet, table, cells if cells != "{}" else problems])


def cells_text(entry: SetAsideRow) -> str:
    filled = {name: text for name, text in entry.cells.items() if text is not None}
    return json.dumps(filled, ensure_ascii=False)


def problems_text(entry: SetAsideRow) -> str:
    documents = [
        {key: value for key, value in problem.document().items() if key not in ("file", "row")}
        for problem in entry.problems
    ]
    return json.dumps(documents, ensure_ascii=False)


def write_set_aside(
    db: Database, batch: Batch, changes: SetAsideChanges, *, import_id: int, now: datetime
) -> None:
    """Put the changes into the store."""
    first = int(db.query("next_set_aside_id")["next"][0])
    rows = [
        _new_row(batch, entry, checked) | {"set_aside_id": first + i, "import_id": import_id}
        for i, (entry, checked) in enumerate(changes.new)
    ]
    if rows:
        frame = pl.DataFrame(rows, schema=_dtypes(rows[0]))
        db.insert("set_aside", frame.with_columns(pl.lit(now).alias("set_aside_at")))
    for resolution in ("corrected", "reloaded"):
        numbers = [number for number, how in changes.resolved if how == resolution]
        if numbers:
            resolve(db, numbers, resolution, now=now, import_id=import_id)
    if changes.updated:
        db.change(
            "update_set_aside",
            set_aside_ids=[number for number, _ in changes.updated],
            corrected=[cells_text(entry) for _, entry in changes.updated],
            problems=[problems_text(entry) for _, entry in changes.updated],
        )


def resolve(
    db: Database, set_aside_ids: list[int], resolution: str, *, now: datetime, import_id: int | None
) -> None:
    """Mark set-aside rows as resolved: reloaded, corrected or dismissed."""
    db.change(
        "resolve_set_aside",
        set_aside_ids=set_aside_ids,
        resolution=resolution,
        now=now,
        import_id=import_id,
    )


def _new_row(batch: Batch, entry: SetAsideRow, checked: Checked | None) -> dict[str, object]:
    return {
        "file": str(batch.path),
        "sheet": checked.sheet if checked else entry.problems[0].sheet,
        "table_name": checked.table.name if checked else None,
        "row": entry.row,
        "cells": cells_text(entry),
        "problems": problems_text(entry),
        "session_id": entry.session_id,
    }


def _dtypes(names: Iterable[str]) -> pl.Schema:
    return pl.Schema({name: SET_ASIDE.column(name).dtype for name in names})
