"""A file or an entry whose tables are checked: what goes into the store in one transaction."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import polars as pl

from ingest.load.report import TableReport
from ingest.load.sources import Content
from ingest.readers import RawTable, table_of, unknown_table
from ingest.schema import TABLES, Problem, Table, fault
from ingest.validate import Checked, SetAsideRow, check, check_entry

LOAD_ORDER = {name: position for position, name in enumerate(TABLES)}
NOT_DOCUMENTED = (
    "not in the documented form. `slopewatch match` proposes what its columns mean, and loads it."
)
Kind = Literal["load", "correction", "replacement"]


@dataclass
class Batch:
    """What becomes one import.

    path       what the store knows it by; `file` is how messages call it
    kind       a `load` is compared with the last load of the same path; a `correction` is recorded
               anew each time; a `replacement` has stood in for a session's rows since it came
    tables     its tables, checked
    reported   its tables that are none of the schema's, for the report
    set_aside  what concerns the file as a whole, or such a table
    """

    path: Path
    file: str
    sha256: str
    time_zone: str
    kind: Kind = "load"
    tables: list[Checked] = field(default_factory=list)
    reported: list[TableReport] = field(default_factory=list)
    set_aside: list[SetAsideRow] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)

    def order(self) -> tuple[int, str]:
        """Return a key to sort by: files whose tables others refer to come first."""
        first = min((LOAD_ORDER[t.table.name] for t in self.tables), default=len(LOAD_ORDER))
        return first, str(self.path)

    def failed(self, problem: Problem) -> "Batch":
        """Return the same file set aside as a whole, none of its tables taken in."""
        lost = sum(checked.rows_read for checked in self.tables)
        lost += sum(table.rows_read for table in self.reported)
        report = TableReport(self.file, None, None, lost, rows_set_aside=lost)
        row = SetAsideRow(None, {}, [problem], loses=lost)
        return Batch(
            self.path, self.file, self.sha256, self.time_zone, self.kind, [], [report], [row]
        )

    def add_notice(self, text: str, sheet: str | None = None) -> None:
        """Add a notice that begins with the file's name and the sheet's."""
        where = f"{Path(self.file).name}, sheet {sheet}" if sheet else Path(self.file).name
        self.notices.append(f"{where}: {text}")

    def problems(self) -> list[Problem]:
        """Return everything wrong with the file and its tables."""
        rows = self.set_aside + [row for checked in self.tables for row in checked.set_aside]
        return [problem for row in rows for problem in row.problems]


def prepare(content: Content, *, zone: str, kind: Kind = "load") -> Batch:
    """Return the tables of a file or an entry, recognised and checked."""
    batch = Batch(content.path, content.file, content.sha256, zone, kind)
    for problem in content.problems:
        batch.set_aside.append(SetAsideRow(None, {}, [problem], loses=0))
        batch.reported.append(TableReport(content.file, None, None, 0))
    recognised = [(raw, table_of(raw)) for raw in content.tables]
    any_known = any(table is not None for _, table in recognised)
    for raw, table in recognised:
        if table is not None:
            _add_checked(batch, raw, table)
        elif raw.sheet and any_known:
            batch.add_notice("not one of the tables, and was kept out.", raw.sheet)
        else:
            _add_unknown(batch, raw)
    batch.tables += [check_entry(entry, zone=zone) for entry in content.entries]
    batch.tables.sort(key=lambda checked: LOAD_ORDER[checked.table.name])
    for checked in batch.tables:
        for notice in checked.notices:
            batch.add_notice(notice, checked.sheet)
    return batch


def _add_checked(batch: Batch, raw: RawTable, table: Table) -> None:
    try:
        checked = check(raw, table, zone=batch.time_zone)
        batch.tables.append(checked)
        if raw.rows and checked.cells.is_empty() and checked.frame.is_empty():
            batch.add_notice(NOT_DOCUMENTED, raw.sheet)
    except Exception as error:  # one table must not take the others with it
        _set_whole_aside(batch, raw, fault(error, batch.file, raw.sheet))


def _add_unknown(batch: Batch, raw: RawTable) -> None:
    _set_whole_aside(batch, raw, unknown_table(raw))
    batch.add_notice(NOT_DOCUMENTED, raw.sheet)


def _set_whole_aside(batch: Batch, raw: RawTable, problem: Problem) -> None:
    lost = raw.rows_read
    batch.set_aside.append(SetAsideRow(problem.row, {}, [problem], loses=lost))
    batch.reported.append(TableReport(batch.file, raw.sheet, None, lost, rows_set_aside=lost))


def context_of(
    batches: Iterable[Batch], stored: dict[str, pl.DataFrame]
) -> dict[str, pl.DataFrame]:
    """Return every table, by name, as it will be once all batches are in.

    stored  the store's rows of the tables that other tables' rows depend on
    """
    frames = dict(stored)
    for batch in batches:
        for checked in batch.tables:
            name = checked.table.name
            rows = TABLES[name].conform(checked.frame)
            frames[name] = pl.concat([frames.get(name, rows.clear()), rows])
    return {name: frames.get(name, table.empty()) for name, table in TABLES.items()}


def table_report(checked: Checked, *, loaded: int) -> TableReport:
    """Return the report's line of a table, once its rows are in or set aside."""
    lost = sum(row.loses for row in checked.set_aside)
    return TableReport(
        checked.file,
        checked.sheet,
        checked.table.name,
        checked.rows_read,
        rows_loaded=loaded,
        rows_unchanged=checked.rows_read - loaded - lost,
        rows_set_aside=lost,
    )
