"""A file, checked and ready to go into the store in one piece."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import polars as pl

from ingest.load.report import TableEntry
from ingest.load.sources import Content
from ingest.readers import RawTable, table_of, unknown_table
from ingest.schema import TABLES, Problem
from ingest.validate import Checked, SetAsideRow, check

LOAD_ORDER = {name: position for position, name in enumerate(TABLES)}


@dataclass
class Batch:
    """One file on its way into the store.

    tables      its tables, checked
    entries     its tables that are none of the schema's, for the report
    set_aside   what concerns the file as a whole, or such a table
    """

    path: Path
    file: str
    sha256: str
    time_zone: str
    kind: Literal["load", "correction"] = "load"
    tables: list[Checked] = field(default_factory=list)
    entries: list[TableEntry] = field(default_factory=list)
    set_aside: list[SetAsideRow] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)

    def order(self) -> tuple[int, str]:
        """Files whose tables others refer to come first."""
        first = min((LOAD_ORDER[t.table.name] for t in self.tables), default=len(LOAD_ORDER))
        return first, str(self.path)

    def say(self, text: str, sheet: str | None = None) -> None:
        where = f"{Path(self.file).name}, sheet {sheet}" if sheet else Path(self.file).name
        self.notices.append(f"{where}: {text}")


def prepare(content: Content, *, zone: str) -> Batch:
    """Recognise and check every table of a file."""
    batch = Batch(content.path, content.file, content.sha256, zone)
    for problem in content.problems:
        batch.set_aside.append(SetAsideRow(None, {}, [problem], loses=0))
        batch.entries.append(TableEntry(content.file, None, None, 0))
    recognised = [(raw, table_of(raw)) for raw in content.tables]
    any_known = any(table is not None for _, table in recognised)
    for raw, table in recognised:
        if table is not None:
            batch.tables.append(check(raw, table, zone=zone))
        elif raw.sheet and any_known:
            batch.say("not one of the tables, and was kept out.", raw.sheet)
        else:
            _add_unknown(batch, raw)
    batch.tables.sort(key=lambda checked: LOAD_ORDER[checked.table.name])
    for checked in batch.tables:
        for notice in checked.notices:
            batch.say(notice, checked.sheet)
    return batch


def _add_unknown(batch: Batch, raw: RawTable) -> None:
    lost = raw.rows_read
    batch.set_aside.append(SetAsideRow(raw.header_row, {}, [unknown_table(raw)], loses=lost))
    entry = TableEntry(batch.file, raw.sheet, None, lost, rows_set_aside=lost)
    batch.entries.append(entry)


def context_of(
    batches: Iterable[Batch], stored: dict[str, pl.DataFrame]
) -> dict[str, pl.DataFrame]:
    """Tables as they will be once all batches are in: what other tables' rows lean on."""
    frames = dict(stored)
    for batch in batches:
        for checked in batch.tables:
            name = checked.table.name
            rows = TABLES[name].conform(checked.frame)
            frames[name] = pl.concat([frames.get(name, rows.clear()), rows])
    return {name: frames.get(name, table.empty()) for name, table in TABLES.items()}


def table_problems(rows: Iterable[SetAsideRow]) -> list[Problem]:
    return [problem for entry in rows for problem in entry.problems]


def entry_of(checked: Checked, *, loaded: int) -> TableEntry:
    """The report's line of a table, once its rows are in or set aside."""
    lost = sum(entry.loses for entry in checked.set_aside)
    return TableEntry(
        checked.file,
        checked.sheet,
        checked.table.name,
        checked.rows_read,
        rows_loaded=loaded,
        rows_unchanged=checked.rows_read - loaded - lost,
        rows_set_aside=lost,
    )
