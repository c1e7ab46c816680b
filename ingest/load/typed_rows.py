"""Rows typed into a page: checked like a file, then loaded like one, all of them or none.

What was entered is known by a name of its own, so that the same entry sent again is recognised
and one import takes it back.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from ingest.load.batches import Batch, prepare
from ingest.load.loading import load_contents
from ingest.load.report import LoadReport
from ingest.load.sources import UPLOADS, Content, read_bytes
from ingest.load.undo import UndoReport, imports, undo_import
from ingest.schema import SETTINGS, TABLES, Problem, capital, shortened
from ingest.store import Store, StoreError

Rows = Sequence[Mapping[str, Any]]
MOST_ROWS = 400
MARK = "-entry-"


class EntryRefusedError(StoreError):
    """Nothing of an entry was kept: the text says which cell, and what is expected there."""


@dataclass(frozen=True)
class Entered:
    """An entry that is in the store. already: it was in before, nothing changed."""

    import_id: int
    already: bool
    notices: tuple[str, ...] = ()


def typed_entry(table: str, rows: Rows, *, zone: str = "UTC") -> pl.DataFrame:
    """The rows as the store would hold them. EntryRefusedError for a cell that cannot be used."""
    batch = prepare(_content(table, "unsaved", rows), zone=zone)
    _refuse([p for aside in batch.set_aside for p in aside.problems] + _problems(batch))
    checked = next((c for c in batch.tables if c.table.name == table), None)
    return TABLES[table].empty() if checked is None else TABLES[table].conform(checked.frame)


def enter(store: Store, table: str, name: str, rows: Rows) -> Entered:
    """Load an entry into the store; the same entry again changes nothing."""
    content = _content(table, name, rows)
    before = _loaded_before(store, content)
    if before is not None:
        return Entered(before, already=True)
    typed_entry(table, rows, zone=_zone(store))
    report = LoadReport()
    load_contents(store, [content], report, tell=lambda _what, _done, _of: None)
    if report.set_aside:
        for import_id in report.import_ids:
            undo_import(store, import_id)
        _refuse(report.set_aside)
    changed = any(entry.rows_loaded for entry in report.files)
    return Entered(report.import_ids[0], already=not changed, notices=tuple(report.notices))


def take_back(store: Store, import_id: int) -> UndoReport:
    """Undo an entry made here; another import is not touched."""
    log = imports(store).filter(pl.col("import_id") == import_id)
    path = Path("" if log.is_empty() else str(log["path"][0]))
    if path.parent != UPLOADS or MARK not in path.name:
        raise EntryRefusedError(f"import {import_id} was no entry of this page.")
    return undo_import(store, import_id)


def _content(table: str, name: str, rows: Rows) -> Content:
    plain = re.sub(r"[^\w .+-]", "_", name)
    file = f"{table}{MARK}{plain}.csv"
    return read_bytes(UPLOADS / file, file, _as_csv(table, rows))


def _as_csv(table: str, rows: Rows) -> bytes:
    if not rows or len(rows) > MOST_ROWS:
        raise EntryRefusedError(f"found {len(rows)} rows, expected 1 to {MOST_ROWS}.")
    names = [name for name in TABLES[table].names if any(row.get(name) is not None for row in rows)]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([[_cell(row.get(name)) for name in names] for row in rows])
    return out.getvalue().encode()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):  # never as digits that could be read as grouped thousands
        text = f"{value:.6f}".rstrip("0")
        return f"{text}0" if text.endswith(".") else text
    return str(value)


def _problems(batch: Batch) -> list[Problem]:
    return [p for checked in batch.tables for aside in checked.set_aside for p in aside.problems]


def _refuse(problems: Sequence[Problem]) -> None:
    """EntryRefusedError with the first problems in words; nothing without one."""
    if not problems:
        return
    said = list(dict.fromkeys(_sentence(p) for p in problems))
    raise EntryRefusedError("not saved: " + " ".join(said[:3]))


def _sentence(problem: Problem) -> str:
    row = "" if problem.row is None else f"reading {problem.row - 1}, "
    found = "nothing" if problem.found is None else f'"{shortened(problem.found)}"'
    where = f"{row}{problem.column or 'the entry'}"
    fix = capital(problem.fix)
    stop = "" if fix.endswith("?") else "."
    return f"{where}: found {found}, expected {problem.expected}. {fix}{stop}"


def _zone(store: Store) -> str:
    if not store.exists():
        return str(SETTINGS["time_zone"].default)
    with store.reading() as db:
        return str(db.setting("time_zone"))


def _loaded_before(store: Store, content: Content) -> int | None:
    """The import that brought the same entry, if it was not undone."""
    if not store.exists():
        return None
    with store.reading() as db:
        last = db.query("last_load", path=str(content.path))
    same = last.filter(pl.col("sha256") == content.tables[0].content_hash())
    return None if same.is_empty() else int(same["import_id"][0])
