"""Undoing an import: the store as if the file had never been loaded.

A row goes when no other import claims it. Of a keyed row's versions the one that was claimed
last of those that are left becomes live again.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from ingest.schema import TABLES
from ingest.store import Database, Store, StoreError, record


class UndoError(StoreError):
    """An import that does not exist or was undone already."""


@dataclass(frozen=True)
class UndoReport:
    """What an undo did. `kept`: rows that another file holds as well."""

    import_id: int
    path: str
    removed: int
    restored: int
    kept: int


def imports(store: Store) -> pl.DataFrame:
    """The import log, newest first: import_id, path, kind, loaded_at, undone_at, tables and

    rows_read, rows_loaded, rows_unchanged, rows_set_aside over all tables of the file.
    """
    with store.reading() as db:
        return db.query("import_log")


def undo_import(store: Store, import_id: int) -> UndoReport:
    """Take an import back, in one transaction."""
    with store.writing() as db:
        log = db.query("import_log").filter(pl.col("import_id") == import_id)
        if log.is_empty():
            raise UndoError(f"there is no import {import_id}.")
        if log["undone_at"][0] is not None:
            raise UndoError(f"import {import_id} ({log['path'][0]}) was undone already.")
        claims = db.query("claims_of_import", import_id=import_id)
        db.change("delete_claims", import_id=import_id)
        restored = 0
        for (name,), group in claims.group_by("table_name", maintain_order=True):
            restored += _release(db, str(name), group)
        now = datetime.now(UTC)
        db.change("mark_undone", import_id=import_id, now=now)
        db.change("undo_set_aside", import_id=import_id, now=now)
        db.change("reopen_set_aside", import_id=import_id)
        removed = claims.filter(~pl.col("elsewhere")).height
        report = UndoReport(
            import_id, str(log["path"][0]), removed, restored, claims.height - removed
        )
        counts = {"removed": removed, "restored": restored, "kept": report.kept}
        record(db, "import undone", f"import {import_id}, {report.path}", after=counts)
    return report


def _release(db: Database, name: str, claims: pl.DataFrame) -> int:
    """Remove a table's orphaned rows and let the right versions live; how many came back."""
    table = TABLES[name]
    before = db.versions(name)
    mine = claims["row_id"].unique().to_list()
    db.remove_rows(name, claims.filter(~pl.col("elsewhere"))["row_id"].to_list())
    if not table.key or table.key_may_be_empty:
        return 0
    keys = before.filter(pl.col("row_id").is_in(mine)).select(table.key).unique()
    versions = db.versions(name).join(keys, on=list(table.key), how="semi", nulls_equal=True)
    ranked = versions.join(db.query("latest_claims", table_name=name), on="row_id", how="left")
    ranked = ranked.sort("latest", "row_id", nulls_last=False)
    latest = ranked.unique(list(table.key), keep="last", maintain_order=True)
    revived = latest.filter(~pl.col("live"))["row_id"].to_list()
    live = set(latest["row_id"])
    retired = [i for i in versions.filter("live")["row_id"] if i not in live]
    db.set_live(name, retired, live=False)
    db.set_live(name, revived, live=True)
    return len(revived)
