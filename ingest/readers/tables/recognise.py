"""Which table of the schema a file or sheet holds: by its name, or else by its columns."""

import re

from ingest.readers.tables.header import plain_name
from ingest.readers.tables.raw import RawTable
from ingest.schema import TABLES, Problem, Table

RECORDING_COLUMNS = {"time", "power_w"}


def table_of(raw: RawTable) -> Table | None:
    """Return the table of the schema that a raw table holds; None if it is none."""
    return table_by_name(raw.name) or table_by_columns(raw.header)


def table_by_name(name: str) -> Table | None:
    """Return the table that a name begins with: `bench-2026-03` is bench, `benchmarks` is not."""
    plain = plain_name(name)
    found = [table for table in TABLES.values() if re.match(rf"{table.name}(?![a-z])", plain)]
    return max(found, key=lambda table: len(table.name)) if found else None


def table_by_columns(header: list[str]) -> Table | None:
    """Return the table whose required columns are there and that knows most others; no ties."""
    names = {plain_name(cell) for cell in header if cell}
    scored = [
        (len(names & set(table.names)), -len(table.columns), table)
        for table in TABLES.values()
        if names >= set(table.required) and _devices_named(table, names)
    ]
    if not scored:
        return None
    scored.sort(key=lambda entry: entry[:2], reverse=True)
    known, _, table = scored[0]
    tied = len(scored) > 1 and scored[1][0] == known
    return None if tied or known < len(names) / 2 else table


def _devices_named(table: Table, names: set[str]) -> bool:
    needed = table.exactly_one or table.at_least_one
    return not needed or any(name in names for name in needed)


def is_recording(header: list[str]) -> bool:
    """Return whether the columns are those of a recorded ride."""
    return {plain_name(cell) for cell in header} >= RECORDING_COLUMNS


def unknown_table(raw: RawTable) -> Problem:
    """Return the problem of a table that is none of the schema's."""
    listed = ", ".join(cell for cell in raw.header[:8] if cell) or "no column names"
    what = "sheet" if raw.sheet else "file"
    return raw.header_problem(
        None,
        f"columns {listed}",
        expected=f"one of the tables {', '.join(TABLES)}",
        fix=f"begin the {what}'s name with the table's (bench-2026-03), and name its columns as in "
        "the template, with commas, semicolons or tabs between them",
    )
