"""Which statements bring an older store to the present schema; the store runs them.

What only adds (a table, a column, a wider type) derives from the schema and needs no step of its
own. A change that must move data gets the next version number and its statements in `STEPS`.
"""

from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

from ingest.schema import INTERNAL_TABLES, SQL_TYPES, TABLES, Cell, Column, Table

SCHEMA_VERSION = 3
ROWS = "rows_"
SQL = Path(__file__).parent / "sql" / "migrations"


class Step(NamedTuple):
    """A statement that moves data; run on stores whose `table` has the `column`."""

    table: str
    column: str
    statement: str


def _cells_from_json(column: str) -> Step:
    cells = f"map_entries({column}::JSON::MAP(VARCHAR, VARCHAR))"
    return Step(
        "set_aside",
        column,
        f"ALTER TABLE set_aside ALTER COLUMN {column} TYPE {SQL_TYPES[Cell]} USING "
        f"list_transform({cells}, lambda c: {{'column': c.key, 'text': c.value}})",
    )


def _dropped(name: str, column: str) -> Step:
    return Step(f"derived_{name}", column, f"DROP TABLE derived_{name}")


# version: the steps that lead to it from the version before.
STEPS: dict[int, tuple[Step, ...]] = {
    2: (  # JSON texts become columns
        _cells_from_json("cells"),
        _cells_from_json("corrected"),
        Step(
            "set_aside",
            "problems",
            (SQL / "problems_as_columns.sql").read_text("utf-8"),
        ),
        Step(
            "derived_pair_results",
            "pair",
            "CREATE OR REPLACE TABLE derived_pair_results AS SELECT * EXCLUDE (pair), "
            "pair->>'meter_file' AS meter_file, pair->>'reference_file' AS reference_file, "
            "pair->>'table_path' AS table_path FROM derived_pair_results",
        ),
    ),
    3: (  # documents, too; what a fit computes is computed again
        _dropped("session_results", "document"),
        _dropped("comparison_results", "document"),
        _dropped("hindcast", "document"),
        Step(
            "derived_pair_results",
            "document",
            (SQL / "documents_of_pairs.sql").read_text("utf-8"),
        ),
    ),
}

_ROW_ID = Column("row_id", int)
_LIVE = Column("live", bool)


def rows_table(name: str) -> str:
    """Return the name of the physical table behind an input table: all versions of its rows."""
    return f"{ROWS}{name}"


def physical_tables() -> dict[str, tuple[Column, ...]]:
    """Return the columns of every table as it lies in the file, by its name there."""
    inputs = {rows_table(t.name): (_ROW_ID, _LIVE, *t.columns) for t in TABLES.values()}
    return inputs | {t.name: t.columns for t in INTERNAL_TABLES.values()}


@cache
def fingerprint() -> str:
    """Return a short name of the schema's present form; it differs when any column does."""
    shape = [
        (name, [(c.name, SQL_TYPES[c.kind]) for c in columns])
        for name, columns in physical_tables().items()
    ]
    return sha256(repr((SCHEMA_VERSION, shape)).encode()).hexdigest()[:16]


def unknown(found: dict[str, dict[str, str]]) -> list[str]:
    """Return the columns of the store's own tables that the schema does not have."""
    known = {name: {c.name for c in columns} for name, columns in physical_tables().items()}
    return [
        f"{table}.{column}"
        for table, columns in found.items()
        for column in columns
        if table in known and column not in known[table]
    ]


def statements(found: dict[str, dict[str, str]], version: int | None) -> list[str]:
    """Return what to run on a store.

    found    its tables: {table: {column: SQL type}}, empty for a new file
    version  its schema version, None for a new file
    """
    behind = range((SCHEMA_VERSION if version is None else version) + 1, SCHEMA_VERSION + 1)
    steps = [
        step
        for number in behind
        for step in STEPS.get(number, ())
        if step.column in found.get(step.table, {})
    ]
    moved = {(step.table, step.column) for step in steps}
    lines = [step.statement for step in steps]
    for name, columns in physical_tables().items():
        unmoved = tuple(column for column in columns if (name, column.name) not in moved)
        lines += _table_statements(name, unmoved, found.get(name))
    return lines + [_view(table) for table in TABLES.values()]


def _view(table: Table) -> str:
    """Return the statement that makes the view of an input table's live rows."""
    names = ", ".join(f'"{name}"' for name in table.names)
    return (
        f'CREATE OR REPLACE VIEW "{table.name}" AS '
        f"SELECT {names} FROM {rows_table(table.name)} WHERE live ORDER BY row_id"
    )


def _table_statements(
    name: str, columns: tuple[Column, ...], found: dict[str, str] | None
) -> list[str]:
    """Return what makes a table, or adds columns to it and widens their types."""
    if found is None:
        listed = ", ".join(f'"{c.name}" {SQL_TYPES[c.kind]}' for c in columns)
        return [f'CREATE TABLE IF NOT EXISTS "{name}" ({listed})']
    lines = []
    for column in columns:
        sql_type = SQL_TYPES[column.kind]
        if column.name not in found:
            lines.append(f'ALTER TABLE "{name}" ADD COLUMN "{column.name}" {sql_type}')
        elif found[column.name].replace("TIMESTAMP WITH TIME ZONE", "TIMESTAMPTZ") != sql_type:
            lines.append(f'ALTER TABLE "{name}" ALTER COLUMN "{column.name}" TYPE {sql_type}')
    return lines
