"""The store: a DuckDB file behind a gate. Nothing else in the project talks to DuckDB.

    with store.reading() as db:
        bench = db.frame("bench")
    with store.writing() as db:          # one transaction, all or nothing
        db.put_derived("status", status)

Connections are short-lived, because an open writer shuts every other process out and an open
reader shuts writers out. Compute outside the `with` block.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from ingest.schema import (
    INTERNAL_TABLES,
    SETTINGS,
    TABLES,
    UserError,
    Value,
    find_setting,
    parse_setting,
    stored_text,
)
from ingest.store import connection_pool, migrations
from ingest.store.gate import Gate, GateTimeoutError
from ingest.store.migrations import rows_table

SQL_FOLDER = Path(__file__).parent / "sql"
FRESH_NS = 20_000_000  # a tick of the coarsest clock that file times are kept with, and more
_OPEN = threading.local()


class StoreError(UserError):
    """The store cannot be used; the text says which file, what is wrong and what to do."""


class Database:
    """An open store, as handed out by `Store.reading` and `Store.writing`."""

    def __init__(
        self, connection: duckdb.DuckDBPyConnection, path: Path, *, writable: bool
    ) -> None:
        self._connection = connection
        self._path = path
        self._touched = False
        self._known_tables: set[str] | None = None
        self.writable = writable

    # --- reading -----------------------------------------------------------------------------

    def frame(self, table: str) -> pl.DataFrame:
        """The live rows of an input table, or a bookkeeping table: every column, typed."""
        if table in TABLES:
            return TABLES[table].conform(self._select(f'SELECT * FROM "{table}"'))
        return INTERNAL_TABLES[table].conform(self._select(f'SELECT * FROM "{table}"'))

    def versions(
        self, table: str, *, where: str | None = None, among: Sequence[str] = ()
    ) -> pl.DataFrame:
        """Every version of an input table's rows: row_id, live, then the table's columns.

        where, among   only rows whose text column `where` is one of `among`
        """
        names = ", ".join(f'"{name}"' for name in ["row_id", "live", *TABLES[table].names])
        sql, params = f"SELECT {names} FROM {rows_table(table)}", None
        if where is not None:
            column = TABLES[table].column(where).name
            sql += f' WHERE "{column}" IN (SELECT unnest($among::VARCHAR[]))'
            params = {"among": list(among)}
        return self._select(f"{sql} ORDER BY row_id", params)

    def next_row_id(self, table: str) -> int:
        """Return the number of the next row of an input table."""
        return self._next(rows_table(table), "row_id")

    def next_number(self, table: str, column: str) -> int:
        """Return the next number of a counting column of an internal table."""
        return self._next(table, INTERNAL_TABLES[table].column(column).name)

    def _next(self, table: str, column: str) -> int:
        return int(self._run(f'SELECT coalesce(max("{column}"), 0) + 1 FROM "{table}"')[0][0])

    def query(self, name: str, **params: object) -> pl.DataFrame:
        """The answer to the question in `ingest/sql/<name>.sql`, its parameters bound."""
        return self._select((SQL_FOLDER / f"{name}.sql").read_text("utf-8"), params)

    def derived(self, name: str) -> pl.DataFrame | None:
        """A table that was computed from the input tables, or None if there is none."""
        table = _derived_table(name)
        return self._select(f'SELECT * FROM "{table}"') if table in self._tables() else None

    def derived_names(self) -> list[str]:
        """The names of the computed tables there are."""
        return sorted(
            t.removeprefix("derived_") for t in self._tables() if t.startswith("derived_")
        )

    def setting(self, key: str) -> Value:
        """A setting's value, the default if it was never set."""
        find_setting(key)
        return self.settings()[key]

    def settings(self) -> dict[str, Value]:
        """Every setting with its value."""
        rows = self._run("SELECT key, value FROM setting_values")
        kept = {key: value for key, value in rows if key in SETTINGS}
        return {
            key: parse_setting(key, kept[key]) if key in kept else setting.default
            for key, setting in SETTINGS.items()
        }

    def data_version(self) -> int:
        """Counts the changes of input tables and settings: tells whether a fit is stale."""
        return int(self._meta("data_version") or 0)

    # --- writing -----------------------------------------------------------------------------

    def put_derived(self, name: str, frame: pl.DataFrame) -> None:
        """Replace a computed table with `frame` (any column types)."""
        table, self._known_tables = _derived_table(name), None
        with self._as_parquet(frame) as file:
            self._run(
                f'CREATE OR REPLACE TABLE "{table}" AS SELECT * FROM read_parquet($file)',
                {"file": file},
            )

    def drop_derived(self, name: str) -> None:
        """Remove a computed table; none there is no error."""
        self._known_tables = None
        self._run(f'DROP TABLE IF EXISTS "{_derived_table(name)}"')

    def set_setting(self, key: str, value: object) -> Value:
        """Set a setting; a bad key or value raises `SettingError`. Returns what is now set."""
        checked = parse_setting(key, value)
        self._run("DELETE FROM setting_values WHERE key = $key", {"key": key})
        self._run(
            "INSERT INTO setting_values VALUES ($key, $value)",
            {"key": key, "value": stored_text(checked)},
        )
        self._touched = True
        return checked

    def insert(self, table: str, frame: pl.DataFrame) -> None:
        """Add rows to a bookkeeping table."""
        self._insert(table, INTERNAL_TABLES[table].conform(frame))

    def add_rows(self, table: str, frame: pl.DataFrame) -> None:
        """Add live rows to an input table; `frame` has row_id and the table's columns."""
        rows = TABLES[table].conform(frame).insert_column(0, frame["row_id"].cast(pl.Int64))
        self._insert(rows_table(table), rows.with_columns(pl.lit(True).alias("live")))
        self._touched |= not frame.is_empty()

    def set_live(self, table: str, row_ids: list[int], *, live: bool) -> None:
        """Make versions of rows live, or not."""
        self._on_rows(f"UPDATE {rows_table(table)} SET live = {live}", row_ids)

    def remove_rows(self, table: str, row_ids: list[int]) -> None:
        """Remove versions of rows for good."""
        self._on_rows(f"DELETE FROM {rows_table(table)}", row_ids)

    def empty_cells(self, table: str, column: str, row_ids: list[int]) -> None:
        """Make a column of some rows null, in every version."""
        name = TABLES[table].column(column).name
        self._on_rows(f'UPDATE {rows_table(table)} SET "{name}" = NULL', row_ids)

    def change(self, name: str, **params: object) -> None:
        """Run the statement in `ingest/sql/<name>.sql`, its parameters bound."""
        self.tidy(name, **params)
        self._touched = True

    def tidy(self, name: str, **params: object) -> None:
        """The same for bookkeeping that no answer depends on: the data stay the same version."""
        self._run((SQL_FOLDER / f"{name}.sql").read_text("utf-8"), params)

    # --- within ------------------------------------------------------------------------------

    def _run(self, sql: str, params: dict[str, object] | None = None) -> list[tuple[Any, ...]]:
        # Fetched to the end: an unfinished result would block the connection's next statement.
        return self._connection.execute(sql, params or None).fetchall()

    def _select(self, sql: str, params: Mapping[str, object] | None = None) -> pl.DataFrame:
        return pl.DataFrame(self._connection.sql(sql, params=params or None))

    def _on_rows(self, statement: str, row_ids: list[int]) -> None:
        if row_ids:
            self._run(f"{statement} WHERE row_id IN (SELECT unnest($ids))", {"ids": row_ids})
            self._touched = True

    def _insert(self, table: str, frame: pl.DataFrame) -> None:
        if frame.is_empty():
            return
        names = ", ".join(f'"{name}"' for name in frame.columns)
        with self._as_parquet(frame) as file:
            self._run(
                f'INSERT INTO "{table}" ({names}) SELECT {names} FROM read_parquet($file)',
                {"file": file},
            )

    @contextmanager
    def _as_parquet(self, frame: pl.DataFrame) -> Iterator[str]:
        # polars → DuckDB without pyarrow: through a file beside the store.
        handle, name = tempfile.mkstemp(
            prefix=f"{self._path.name}.", suffix=".tmp", dir=self._path.parent
        )
        os.close(handle)
        try:
            frame.write_parquet(name)
            yield name
        finally:
            Path(name).unlink(missing_ok=True)

    def _tables(self) -> set[str]:
        if self._known_tables is None:
            rows = self._run(
                "SELECT table_name FROM information_schema.tables WHERE table_type = 'BASE TABLE'"
            )
            self._known_tables = {name for (name,) in rows}
        return self._known_tables

    def _columns(self) -> dict[str, dict[str, str]]:
        found: dict[str, dict[str, str]] = {}
        for table, column, kind in self._run(
            "SELECT table_name, column_name, data_type FROM information_schema.columns"
        ):
            found.setdefault(table, {})[column] = kind
        return found

    def _meta(self, key: str) -> str | None:
        found = self._run("SELECT value FROM meta WHERE key = $key", {"key": key})
        return str(found[0][0]) if found else None

    def _set_meta(self, key: str, value: object) -> None:
        self._run("DELETE FROM meta WHERE key = $key", {"key": key})
        self._run("INSERT INTO meta VALUES ($key, $value)", {"key": key, "value": str(value)})

    def _is_current(self) -> bool:
        try:
            fingerprint = self._meta("schema_fingerprint")
        except duckdb.CatalogException:
            return False
        if fingerprint != migrations.fingerprint():
            self._refuse_newer()
            return False
        return True

    def _refuse_newer(self) -> int:
        version = int(self._meta("schema_version") or 0)
        if version > migrations.SCHEMA_VERSION:
            raise StoreError(
                f"{self._path}: written by a newer Slopewatch (store version {version}, this "
                f"one knows {migrations.SCHEMA_VERSION}). Update Slopewatch, or restore a backup."
            )
        return version

    def _bring_up_to_date(self) -> None:
        found = self._columns()
        if found and "meta" not in found:
            raise StoreError(f"{self._path}: a DuckDB file, but not a Slopewatch store.")
        version = self._refuse_newer() if found else None
        for statement in migrations.statements(found, version):
            self._run(statement)
        self._set_meta("schema_version", migrations.SCHEMA_VERSION)
        self._set_meta("schema_fingerprint", migrations.fingerprint())


class Store:
    """A store file. Cheap to make: nothing is opened before `reading` or `writing`."""

    def __init__(self, path: str | Path, *, timeout_s: float = 120.0) -> None:
        self.path = Path(path).expanduser().absolute()
        self._gate = Gate(self.path, timeout_s=timeout_s)

    def exists(self) -> bool:
        return self.path.is_file()

    def time_zone(self) -> str:
        """Return the zone of times without an offset; the default where there is no store."""
        if not self.exists():
            return str(SETTINGS["time_zone"].default)
        with self.reading() as db:
            return str(db.setting("time_zone"))

    def stamp(self) -> tuple[int, ...] | None:
        """Changes whenever the file does: what was read before still holds while it is equal.

        None while that cannot be told: no store, or a file so fresh that a further write could
        leave the same time on it. Costs a few microseconds, where opening the store costs 14 ms.
        """
        log = self.path.with_name(self.path.name + ".wal")  # what a killed writer had committed
        found: list[int] = []
        for file in (self.path, log):
            try:
                stat = file.stat()
            except OSError:
                continue
            found += [stat.st_ino, stat.st_size, stat.st_mtime_ns]
        if not found or time.time_ns() - max(found[2::3]) < FRESH_NS:
            return None
        return tuple(found)

    def settled_stamp(self) -> tuple[int, ...] | None:
        """The same, after the moment that a file just written needs to be told from later ones."""
        stamp = self.stamp()
        if stamp is None and self.exists():
            time.sleep(FRESH_NS / 1e9)
            stamp = self.stamp()
        return stamp

    @contextmanager
    def reading(self) -> Iterator[Database]:
        """The store, to read from; beside any number of readers, never beside a writer."""
        held = _held(self.path)
        if held is not None:
            yield held
            return
        if not self.exists():
            raise StoreError(
                f"{self.path}: there is no store here yet. "
                "Load a team's tables first (slopewatch load FOLDER), or name another file."
            )
        with self._shared(), self._connected(read_only=True) as db:
            if db._is_current():
                with _holding(self.path, db):
                    yield db
                return
        with self.writing():  # brings an older store up to date
            pass
        with self._shared(), self._connected(read_only=True) as db, _holding(self.path, db):
            yield db

    @contextmanager
    def writing(self) -> Iterator[Database]:
        """The store, to change: one transaction, all of it or none. Made if there is none."""
        held = _held(self.path)
        if held is not None and not held.writable:
            raise RuntimeError("a store that is open for reading cannot be written to")
        if held is not None:
            yield held
            return
        with self.transactions() as transaction, transaction() as db:
            yield db

    @contextmanager
    def transactions(self) -> Iterator[Callable[[], AbstractContextManager[Database]]]:
        """The store, for several transactions in a row on one connection.

        Nobody else gets in before the block ends: keep it to a fraction of a second.
        """
        with self.exclusively(), self._connected(read_only=False) as db:
            if not db._is_current():
                with _transaction(db):
                    db._bring_up_to_date()
            with _holding(self.path, db):
                yield lambda: _transaction(db)

    @contextmanager
    def exclusively(self) -> Iterator[Path]:
        """The store's file for oneself, closed; for copying or replacing it."""
        if not self.path.parent.is_dir():
            raise StoreError(f"{self.path}: the folder {self.path.parent} does not exist.")
        with ExitStack() as stack:
            self._enter(stack, self._gate.exclusive())
            self._sweep()
            yield self.path

    def backup(self, target: Path) -> Path:
        """Copy the store to `target` while nobody writes; returns the copy's path."""
        if not self.exists():
            raise StoreError(f"{self.path}: there is no store to back up.")
        if target.is_dir():
            target = target / self.path.name
        if target.absolute() == self.path:
            raise StoreError(f"{target}: a backup needs another place than the store itself.")
        with self.exclusively():
            with self._connected(read_only=False) as db:
                db._run("CHECKPOINT")
            partial = target.with_name(target.name + ".part")
            shutil.copyfile(self.path, partial)
            partial.replace(target)
        return target

    def compact(self) -> None:
        """Rewrite the file, so that removed rows are gone from the disk too."""
        fresh = self.path.with_name(self.path.name + ".compact.tmp")
        with self.exclusively():
            with self._connected(read_only=False) as db:
                attached = str(fresh).replace("'", "''")
                db._run(f"ATTACH '{attached}' AS fresh")
                name = db._run("SELECT current_database()")[0][0]
                db._run(f'COPY FROM DATABASE "{name}" TO fresh')
                db._run("DETACH fresh")
            fresh.replace(self.path)

    @contextmanager
    def _shared(self) -> Iterator[None]:
        with ExitStack() as stack:
            self._enter(stack, self._gate.shared())
            yield

    def _enter(self, stack: ExitStack, gate: AbstractContextManager[None]) -> None:
        try:
            stack.enter_context(gate)
        except GateTimeoutError as wait:
            raise StoreError(
                f"{self.path}: another program kept the store busy for too long. "
                "Wait for it to finish, or end it, then try again."
            ) from wait
        except OSError as error:
            raise StoreError(
                f"{self.path}: the folder cannot be written to ({error.strerror or error}). "
                "The store keeps its lock files there; name a file in another folder."
            ) from error

    @contextmanager
    def _connected(self, *, read_only: bool) -> Iterator[Database]:
        with ExitStack() as stack:
            try:
                opened = connection_pool.opened(self.path, read_only=read_only)
                connection = stack.enter_context(opened)
            except duckdb.Error as error:
                raise StoreError(_connect_failure(self.path, error)) from error
            try:
                yield Database(connection, self.path, writable=not read_only)
            except duckdb.IOException as error:
                raise StoreError(f"{self.path}: {str(error).splitlines()[0]}") from error

    def _sweep(self) -> None:
        """Remove what a killed writer left beside the store."""
        for left in self.path.parent.glob(f"{_escaped(self.path.name)}.*.tmp"):
            left.unlink(missing_ok=True)


def _escaped(name: str) -> str:
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)


def _derived_table(name: str) -> str:
    if not name.isidentifier():
        raise ValueError(f"not a table name: {name!r}")
    return f"derived_{name}"


def _held(path: Path) -> Database | None:
    held: dict[Path, Database] = getattr(_OPEN, "stores", {})
    return held.get(path)


@contextmanager
def _holding(path: Path, db: Database) -> Iterator[None]:
    # A second `with` in the same thread gets the open store: it would wait for itself.
    held: dict[Path, Database] = getattr(_OPEN, "stores", {})
    _OPEN.stores = held | {path: db}
    try:
        yield
    finally:
        _OPEN.stores = held


@contextmanager
def _transaction(db: Database) -> Iterator[Database]:
    db._connection.begin()
    db._touched, db._known_tables = False, None
    try:
        yield db
        if db._touched:
            db._set_meta("data_version", db.data_version() + 1)
    except BaseException:
        db._connection.rollback()
        raise
    db._connection.commit()


def _connect_failure(path: Path, error: Exception) -> str:
    text = str(error)
    if "not a valid DuckDB database file" in text:
        return f"{path}: not a Slopewatch store. Name another file, or move this one away."
    if "lock" in text:
        return f"{path}: another program holds this file open. Close it, then try again."
    if "newer version" in text or "version number" in text:
        return f"{path}: written by another version of DuckDB. Update Slopewatch."
    return f"{path}: the store cannot be opened ({text.splitlines()[0]})."
