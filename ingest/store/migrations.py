"""From the store as it is to the store as the schema wants it: statements, run by the store.

What only adds (a table, a column, a wider type) derives from the schema and needs no step of its
own. A change that must move data gets the next version number and its statements in `STEPS`.
"""

from __future__ import annotations

from functools import cache
from hashlib import sha256

from ingest.schema import BOOKKEEPING, SQL_TYPES, TABLES, Column, Table

SCHEMA_VERSION = 1

# version: the statements that lead to it from the version before.
STEPS: dict[int, tuple[str, ...]] = {}

_ROW_ID = Column("row_id", int)
_LIVE = Column("live", bool)


def rows_table(name: str) -> str:
    """The physical table behind an input table: all versions of its rows."""
    return f"rows_{name}"


def physical_tables() -> dict[str, tuple[Column, ...]]:
    """Every table as it lies in the file, by name."""
    inputs = {rows_table(t.name): (_ROW_ID, _LIVE, *t.columns) for t in TABLES.values()}
    return inputs | {t.name: t.columns for t in BOOKKEEPING.values()}


def view_sql(table: Table) -> str:
    """The view that shows an input table's live rows."""
    names = ", ".join(f'"{name}"' for name in table.names)
    return (
        f'CREATE OR REPLACE VIEW "{table.name}" AS '
        f"SELECT {names} FROM {rows_table(table.name)} WHERE live ORDER BY row_id"
    )


@cache
def fingerprint() -> str:
    """A short name of the schema's present shape; differs when any column does."""
    shape = [
        (name, [(c.name, SQL_TYPES[c.kind]) for c in columns])
        for name, columns in physical_tables().items()
    ]
    return sha256(repr((SCHEMA_VERSION, shape)).encode()).hexdigest()[:16]


def statements(found: dict[str, dict[str, str]], version: int | None) -> list[str]:
    """What to run on a store.

    found    its tables: {table: {column: SQL type}}, empty for a new file
    version  its schema version, None for a new file
    """
    steps = range((version or SCHEMA_VERSION) + 1, SCHEMA_VERSION + 1)
    wanted = [line for step in steps for line in STEPS[step]]
    for name, columns in physical_tables().items():
        wanted += _table_statements(name, columns, found.get(name))
    return wanted + [view_sql(table) for table in TABLES.values()]


def _table_statements(
    name: str, columns: tuple[Column, ...], found: dict[str, str] | None
) -> list[str]:
    if found is None:
        listed = ", ".join(f'"{c.name}" {SQL_TYPES[c.kind]}' for c in columns)
        return [f'CREATE TABLE IF NOT EXISTS "{name}" ({listed})']
    lines = []
    for column in columns:
        sql_type = SQL_TYPES[column.kind]
        if column.name not in found:
            lines.append(f'ALTER TABLE "{name}" ADD COLUMN "{column.name}" {sql_type}')
        elif _canonical(found[column.name]) != sql_type:
            lines.append(f'ALTER TABLE "{name}" ALTER COLUMN "{column.name}" TYPE {sql_type}')
    return lines


def _canonical(sql_type: str) -> str:
    return "TIMESTAMPTZ" if sql_type == "TIMESTAMP WITH TIME ZONE" else sql_type
