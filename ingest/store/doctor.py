"""What is wrong with a store's file, and what of it can be saved into a new one.

The file itself is only read: all is tried on a copy, in this process's own reading of it.
"""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypedDict

import duckdb
import polars as pl

from ingest.store import connection_pool
from ingest.store.database import StoreError
from ingest.store.migrations import physical_tables
from ingest.store.store_file import Store

ROWS_AT_ONCE = 2048
Read = dict[str, pl.DataFrame]


class TableState(TypedDict):
    """What can be read of one table. lost: rows that cannot; None: it cannot be told how many."""

    table: str
    rows: int
    lost: int | None
    problem: str | None


class Diagnosis(TypedDict):
    """What is wrong with a store, in words, and what can be read. saved_to: where it was saved."""

    store: str
    sound: bool
    problems: list[str]
    tables: list[TableState]
    saved_to: str | None


def diagnose(store: Store, *, save_to: Path | None = None) -> Diagnosis:
    """Return what is wrong with a store; save_to: a new file for all that can be read.

    StoreError: there is no store, or the new file is there already.
    """
    if not store.exists():
        raise StoreError(f"{store.path}: there is no store here.")
    if save_to is not None and save_to.exists():
        raise StoreError(f"{save_to}: there is a file already. Name a new one.")
    problems: list[str] = []
    tables, read = _read(store, problems)
    if save_to is not None:
        _write(read, save_to)
    lost = [state for state in tables if state["problem"]]
    return {
        "store": str(store.path),
        "sound": not problems and not lost,
        "problems": problems,
        "tables": tables,
        "saved_to": None if save_to is None else str(save_to),
    }


def _read(store: Store, problems: list[str]) -> tuple[list[TableState], Read]:
    """Read what can be read, with the log of changes beside the file, else without it."""
    wal = store.path.with_name(store.path.name + ".wal")
    for with_log in (True, False) if wal.exists() else (False,):
        try:
            with store.exclusively(), _copied(store.path, wal if with_log else None) as copy:
                return _tables(copy)
        except duckdb.Error as error:
            said = str(error).splitlines()[0]
            if with_log:
                problems.append(
                    f"{wal.name} does not belong to the file or is damaged ({said}). If a backup "
                    "was put in place, move that file away; it holds changes of another one."
                )
            else:
                problems.append(f"the file cannot be opened ({said}): restore a backup.")
    return [], {}


@contextmanager
def _copied(path: Path, wal: Path | None) -> Iterator[duckdb.DuckDBPyConnection]:
    with TemporaryDirectory(prefix="slopewatch-") as folder:
        copy = Path(folder) / "copy.duckdb"
        shutil.copyfile(path, copy)
        if wal is not None:
            shutil.copyfile(wal, copy.with_name(copy.name + ".wal"))
        with connection_pool.opened(copy, read_only=False) as connection:
            yield connection


def _tables(connection: duckdb.DuckDBPyConnection) -> tuple[list[TableState], Read]:
    states, read = [], {}
    listed = connection.execute(
        "SELECT table_name FROM information_schema.tables "
        "WHERE table_type = 'BASE TABLE' AND table_catalog = 'store' ORDER BY 1"
    ).fetchall()
    for (name,) in listed:
        state, frame = _table(connection, name)
        states.append(state)
        read[name] = frame
    return states, read


def _table(connection: duckdb.DuckDBPyConnection, name: str) -> tuple[TableState, pl.DataFrame]:
    """Read a table at once, else a piece at a time without the pieces that cannot be read."""
    try:
        frame = pl.DataFrame(connection.sql(f'SELECT * FROM "{name}"'))
        return {"table": name, "rows": frame.height, "lost": 0, "problem": None}, frame
    except Exception as error:
        problem = str(error).splitlines()[0]
    pieces, count = [], _count(connection, name)
    for start in range(0, count or 0, ROWS_AT_ONCE):
        asked = f'SELECT * FROM "{name}" WHERE rowid >= {start} AND rowid < {start + ROWS_AT_ONCE}'
        try:
            pieces.append(pl.DataFrame(connection.sql(asked)))
        except Exception:  # whatever the engine says of a damaged block
            continue
    frame = pl.concat(pieces) if pieces else pl.DataFrame()
    lost = None if count is None else count - frame.height
    return {"table": name, "rows": frame.height, "lost": lost, "problem": problem}, frame


def _count(connection: duckdb.DuckDBPyConnection, name: str) -> int | None:
    try:
        found = connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()
    except duckdb.Error:
        return None
    return int(found[0]) if found else None


def _write(read: Read, target: Path) -> None:
    """Write tables into a new store; what is computed from the others is left to a fit."""
    fresh = Store(target)
    known = physical_tables()
    with fresh.writing() as db:
        for name, frame in read.items():
            if name in known and frame.height:
                columns = [column.name for column in known[name] if column.name in frame.columns]
                db.fill(name, frame.select(columns))
