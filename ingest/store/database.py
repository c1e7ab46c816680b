"""An open store: reads tables, answers the questions of `sql/`, and writes within a transaction."""

import os
import secrets
import tempfile
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import chain, islice
from pathlib import Path
from typing import Any, TypeVar

import duckdb
import polars as pl

from ingest.schema import (
    INTERNAL_TABLES,
    SETTINGS,
    SQL_TYPES,
    TABLES,
    UserError,
    Value,
    find_setting,
    parse_setting,
    stored_text,
)
from ingest.store import migrations
from ingest.store.kept import EVERY_TABLE, FEW_ROWS, Kept, marks_of
from ingest.store.migrations import ROWS, rows_table

T = TypeVar("T")
ROW_ID = "row_id"
WRITTEN = "written "  # begins the key of a table's mark in `meta`
FEW_CELLS = 400  # written in the statement itself, which spares the way through a file
SQL_FOLDER = Path(__file__).parent / "sql"


class StoreError(UserError):
    """The store cannot be used; the text says which file, what is wrong and what to do."""


class NotKeptError(Exception):
    """Something was asked of an unopened store that is not kept of it."""


class Database:
    """An open store, as handed out by `Store.reading` and `Store.writing`.

    connection  None: the store is not open, and only what is kept can be read
    kept        what was read before; None: nothing is kept
    metas       the store's `meta` where it is known already
    """

    def __init__(
        self,
        connection: duckdb.DuckDBPyConnection | None,
        path: Path,
        *,
        writable: bool,
        kept: Kept | None = None,
        metas: Mapping[str, str] | None = None,
    ) -> None:
        self._opened = connection
        self._path = path
        self._kept, self._known_metas = kept, metas
        self._touched = False
        self._written: set[str] = set()
        self._known_tables: set[str] | None = None
        self.writable = writable

    @property
    def is_open(self) -> bool:
        """Return whether more can be read than what is kept."""
        return self._opened is not None

    # --- reading -----------------------------------------------------------------------------

    def kept(self, what: Hashable, tables: Sequence[str], make: Callable[[], T]) -> T:
        """Return what `make` reads of tables, made again only once one of them was written to.

        what: tells it from all else that is kept of the same store
        """
        marks = {} if self._kept is None or self._written or self._touched else self.marks()
        if self._kept is None or EVERY_TABLE not in marks:
            return make()
        return self._kept.get(what, marks_of(marks, tables), make)

    def frame(self, table: str, *, only: Sequence[str] = ()) -> pl.DataFrame:
        """Return the live rows of an input table, or an internal table, typed.

        only: these columns; else every column
        """
        declared = TABLES[table] if table in TABLES else INTERNAL_TABLES[table]
        found = self._whole(table, f'SELECT {_columns(only)} FROM "{table}"')
        return declared.conform(found).select(only) if only else declared.conform(found)

    def _whole(self, table: str, sql: str) -> pl.DataFrame:
        return self.kept(sql, (table,), lambda: self._select(sql)).clone()

    def _is_kept_whole(self, table: str, whole: str) -> bool:
        """Return whether a part of a table is taken from the whole, which a statement reads.

        Not where it may be written to: it would be read anew for each change.
        """
        if self.writable or self._kept is None or self._kept.is_too_large(whole):
            return False
        sql = f'SELECT count(*) FROM "{table}"'
        name = table.removeprefix(ROWS)
        return self.kept(sql, (name,), lambda: int(self._run(sql)[0][0])) <= FEW_ROWS

    def is_empty(self, *tables: str) -> bool:
        """Return whether none of these input tables has a live row."""
        rows = " UNION ALL ".join(
            f'(FROM "{TABLES[name].name}" SELECT 1 LIMIT 1)' for name in tables
        )
        return not self._run(rows)

    def versions(
        self, table: str, *, where: str | None = None, among: Sequence[str] | Sequence[int] = ()
    ) -> pl.DataFrame:
        """Return every version of an input table's rows: row_id, live, the table's columns.

        where, among   only rows whose text column `where`, or row_id, is one of `among`
        """
        names = ", ".join(f'"{name}"' for name in ["row_id", "live", *TABLES[table].names])
        sql, order = f"SELECT {names} FROM {rows_table(table)}", "ORDER BY row_id"
        numbered = where == ROW_ID
        column = where if where is None or numbered else TABLES[table].column(where).name
        if column is None or self._is_kept_whole(rows_table(table), f"{sql} {order}"):
            rows = self._whole(table, f"{sql} {order}")
            return rows if column is None else rows.filter(pl.col(column).is_in(list(among)))
        kind = "BIGINT" if numbered else "VARCHAR"
        sql += f' WHERE "{column}" IN (SELECT unnest($among::{kind}[])) {order}'
        return self._select(sql, {"among": list(among)})

    def contents(self, table: str, column: str) -> dict[str, str]:
        """Return, by the values of an input table's column, what differs once their rows do.

        Of every version of them: a count, and a sum of hashes.
        """
        name, rows = TABLES[table].column(column).name, rows_table(table)
        sql = (
            f"""SELECT "{name}", count(*) || ' ' || sum(hash(r)::HUGEINT) FROM {rows} AS r """
            f'WHERE "{name}" IS NOT NULL GROUP BY "{name}"'
        )
        return self.kept(sql, (table,), lambda: dict(self._run(sql)))

    def next_row_id(self, table: str) -> int:
        """Return the number of the next row of an input table."""
        return self._next(rows_table(table), "row_id")

    def next_number(self, table: str, column: str) -> int:
        """Return the next number of a counting column of an internal table."""
        return self._next(table, INTERNAL_TABLES[table].column(column).name)

    def _next(self, table: str, column: str) -> int:
        return int(self._run(f'SELECT coalesce(max("{column}"), 0) + 1 FROM "{table}"')[0][0])

    def query(self, name: str, **params: object) -> pl.DataFrame:
        """Return the answer to the question in `sql/<name>.sql`, its parameters bound."""
        return self._select((SQL_FOLDER / f"{name}.sql").read_text("utf-8"), params)

    def derived(
        self, name: str, *, only: Sequence[str] = (), meter: str | None = None
    ) -> pl.DataFrame | None:
        """Return a table that was computed from the input tables; None if there is none.

        only: these columns, which every form of the table has; meter: only this meter's rows
        """
        table = _derived_table(name)
        if not self.kept(("there", table), (table,), lambda: table in self._tables()):
            return None
        sql = f'SELECT {_columns(only)} FROM "{table}"'
        if meter is None or self._is_kept_whole(table, sql):
            rows = self._whole(table, sql)
            return rows if meter is None else rows.filter(pl.col("meter_id") == meter)
        return self._select(f"{sql} WHERE meter_id = $meter", {"meter": meter})

    def derived_names(self) -> list[str]:
        """Return the names of the computed tables."""
        return sorted(
            t.removeprefix("derived_") for t in self._tables() if t.startswith("derived_")
        )

    def setting(self, key: str) -> Value:
        """Return a setting's value, the default if it was never set."""
        find_setting(key)
        return self.settings()[key]

    def settings(self) -> dict[str, Value]:
        """Return every setting with its value."""
        sql = "SELECT key, value FROM setting_values"
        rows = self.kept(sql, ("setting_values",), lambda: self._run(sql))
        kept = {key: value for key, value in rows if key in SETTINGS}
        return {
            key: parse_setting(key, kept[key]) if key in kept else setting.default
            for key, setting in SETTINGS.items()
        }

    def data_version(self) -> int:
        """Return a count of the changes of input tables and settings, by which a fit is stale."""
        return int(self._meta("data_version") or 0)

    def marks(self) -> dict[str, str]:
        """Return a mark a table, which differs once the table was written to.

        A table that was never written to has none. EVERY_TABLE has one too: all may have changed
        with it. The marks are drawn at random, so that a restored backup has those of its day.
        """
        found = {
            key.removeprefix(WRITTEN): value
            for key, value in self._metas().items()
            if key.startswith(WRITTEN)
        }
        if found.pop("at", None) != str(self.data_version()):  # by a program without marks
            found[EVERY_TABLE] = f"{found.get(EVERY_TABLE)} {self.data_version()}"
        return found

    # --- writing -----------------------------------------------------------------------------

    def put_derived(
        self, name: str, frame: pl.DataFrame, *, is_data: bool = False, if_new: bool = False
    ) -> None:
        """Replace a computed table with `frame` (any column types).

        is_data: a fit rests on it, so that it makes the data another version
        if_new: the same as before leaves the table, and what rests on it, as it is
        """
        self._touched |= is_data
        if if_new and (before := self.derived(name)) is not None and before.equals(frame):
            return
        table, self._known_tables = _derived_table(name), None
        self._written.add(table)
        with self._as_parquet(frame) as file:
            self._run(
                f'CREATE OR REPLACE TABLE "{table}" AS SELECT * FROM read_parquet($file)',
                {"file": file},
            )

    def set_setting(self, key: str, value: object) -> Value:
        """Set a setting and return its value; SettingError for a bad key or value."""
        checked = parse_setting(key, value)
        self._run("DELETE FROM setting_values WHERE key = $key", {"key": key})
        self._run(
            "INSERT INTO setting_values VALUES ($key, $value)",
            {"key": key, "value": stored_text(checked)},
        )
        self._written.add("setting_values")
        self._touched = True
        return checked

    def insert(self, table: str, frame: pl.DataFrame) -> None:
        """Add rows to an internal table."""
        self._insert(table, INTERNAL_TABLES[table].conform(frame))

    def fill(self, table: str, frame: pl.DataFrame) -> None:
        """Put rows that were saved from another file in the place of a table's own."""
        self._run(f'DELETE FROM "{table}"')
        self._written |= {table, EVERY_TABLE}
        self._insert(table, frame)
        self._touched = True

    def add_rows(self, table: str, frame: pl.DataFrame) -> None:
        """Add live rows to an input table; `frame` has row_id and the table's columns."""
        rows = TABLES[table].conform(frame).insert_column(0, frame["row_id"].cast(pl.Int64))
        self._insert(rows_table(table), rows.with_columns(pl.lit(True).alias("live")))
        self._touched |= not frame.is_empty()

    def set_live(self, table: str, row_ids: list[int], *, live: bool) -> None:
        """Make versions of rows live, or not."""
        self._on_rows(table, f"UPDATE {rows_table(table)} SET live = {live}", row_ids)

    def remove_rows(self, table: str, row_ids: list[int]) -> None:
        """Remove versions of rows for good, and every import's claim to them."""
        self._on_rows(table, f"DELETE FROM {rows_table(table)}", row_ids)
        self._written |= {"claims", claims_of(table)}
        self._run(
            "DELETE FROM claims "
            "WHERE table_name = $name AND row_id IN (SELECT unnest($ids::BIGINT[]))",
            {"name": table, "ids": row_ids},
        )

    def empty_cells(self, table: str, column: str, row_ids: list[int]) -> None:
        """Make a column of some rows null, in every version."""
        name = TABLES[table].column(column).name
        self._on_rows(table, f'UPDATE {rows_table(table)} SET "{name}" = NULL', row_ids)

    def delete(self, table: str, column: str, values: Sequence[object]) -> None:
        """Remove the rows of an internal table whose `column` is one of `values`."""
        name, sql_type = column, SQL_TYPES[INTERNAL_TABLES[table].column(column).kind]
        condition = f'"{name}" IN (SELECT unnest($values::{sql_type}[]))'
        self._written.add(EVERY_TABLE if table == "claims" else table)
        self._run(f'DELETE FROM "{table}" WHERE {condition}', {"values": list(values)})

    def change(self, name: str, *, new_version: bool = True, **params: object) -> None:
        """Run the statement in `sql/<name>.sql`, its parameters bound.

        new_version  an answer may depend on it: the data become another version
        """
        self._run((SQL_FOLDER / f"{name}.sql").read_text("utf-8"), params)
        self._written.add(EVERY_TABLE)
        self._touched |= new_version

    # --- within ------------------------------------------------------------------------------

    @property
    def _connection(self) -> duckdb.DuckDBPyConnection:
        if self._opened is None:
            raise NotKeptError
        return self._opened

    def _run(self, sql: str, params: dict[str, object] | None = None) -> list[tuple[Any, ...]]:
        # Fetched to the end: an unfinished result would block the connection's next statement.
        return self._connection.execute(sql, params or None).fetchall()

    def _select(self, sql: str, params: Mapping[str, object] | None = None) -> pl.DataFrame:
        return pl.DataFrame(self._connection.sql(sql, params=params or None))

    def _on_rows(self, table: str, statement: str, row_ids: list[int]) -> None:
        if row_ids:
            self._written.add(table)
            self._run(f"{statement} WHERE row_id IN (SELECT unnest($ids))", {"ids": row_ids})
            self._touched = True

    def _insert(self, table: str, frame: pl.DataFrame) -> None:
        if frame.is_empty():
            return
        self._written.add(table.removeprefix(ROWS))
        if table == "claims":
            self._written |= set(map(claims_of, frame["table_name"].unique()))
        into, names = f'INSERT INTO "{table}"', _columns(frame.columns)
        if frame.height * frame.width <= FEW_CELLS:
            cells = {f"c{n}": cell for n, cell in enumerate(chain(*frame.iter_rows()))}
            marks = iter(f"${name}" for name in cells)
            rows = ", ".join(
                f"({', '.join(islice(marks, frame.width))})" for _ in range(frame.height)
            )
            self._run(f"{into} ({names}) VALUES {rows}", cells)
            return
        with self._as_parquet(frame) as file:
            self._run(f"{into} ({names}) SELECT {names} FROM read_parquet($file)", {"file": file})

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
                "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database()"
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
        return self._metas().get(key)

    def _metas(self) -> Mapping[str, str]:
        if self._known_metas is None:
            rows = self._run("SELECT key, value FROM meta")
            self._known_metas = {key: str(value) for key, value in rows}
        return self._known_metas

    def _set_meta(self, key: str, value: object) -> None:
        self._set_metas({key: str(value)})

    def _set_metas(self, values: Mapping[str, str]) -> None:
        params: dict[str, object] = {"keys": list(values), "values": list(values.values())}
        self._run("DELETE FROM meta WHERE key IN (SELECT unnest($keys))", {"keys": params["keys"]})
        self._run("INSERT INTO meta SELECT unnest($keys), unnest($values)", params)
        self._known_metas = None

    def _begin(self) -> None:
        """Forget what an earlier transaction did."""
        self._touched, self._known_tables = False, None
        self._written = set()

    def _rolled_back(self) -> None:
        """Forget what was known of a transaction that is taken back."""
        self._known_tables = self._known_metas = None

    def _note(self) -> None:
        """Note, in the transaction, what was written in it."""
        if not (self._touched or self._written):
            return
        before, mark = self.data_version(), secrets.token_hex(8)
        if self._meta("written at") != str(before):
            self._written.add(EVERY_TABLE)
        after = str(before + self._touched)
        marks = {f"{WRITTEN}{name}": mark for name in self._written}
        self._set_metas({**marks, "written at": after, "data_version": after})

    def _is_current(self) -> bool:
        try:
            fingerprint = self._meta("schema_fingerprint")
        except duckdb.CatalogException:
            return False
        if fingerprint != migrations.fingerprint():
            self._refuse_newer()
            return False
        return True

    def _holds_anything(self) -> bool:
        return "meta" in self._tables()

    def _refuse_newer(self) -> int:
        """Return the version of an older store; StoreError where this program would lose of it."""
        version = int(self._meta("schema_version") or 0)
        if version > migrations.SCHEMA_VERSION:
            raise StoreError(
                f"{self._path}: written by a newer Slopewatch (store version {version}, this "
                f"one knows {migrations.SCHEMA_VERSION}). Update Slopewatch, or restore a backup."
            )
        strange = (
            migrations.unknown(self._columns()) if version == migrations.SCHEMA_VERSION else []
        )
        if strange:
            raise StoreError(
                f"{self._path}: written by a newer Slopewatch (this one does not know "
                f"{', '.join(strange[:3])}). Update Slopewatch, or restore a backup."
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


def _columns(only: Sequence[str]) -> str:
    return ", ".join(f'"{name}"' for name in only) or "*"


def claims_of(table: str) -> str:
    """Return what has a mark of its own among `Database.marks`: the claims of a table's rows."""
    return f"claims of {table}"


def _derived_table(name: str) -> str:
    if not name.isidentifier():
        raise ValueError(f"not a table name: {name!r}")
    return f"derived_{name}"
