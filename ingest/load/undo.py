"""Undoing an import: afterwards the store is as if the file had never been loaded.

A row is removed when no other import claims it. Of the versions of a keyed row that are left, the
one claimed last becomes live.
"""

from datetime import UTC, datetime
from typing import TypedDict

import polars as pl

from ingest.schema import TABLES
from ingest.store import Database, Store, StoreError, record


class UndoError(StoreError):
    """An import that does not exist or was undone already."""


class UndoReport(TypedDict):
    """How many rows an undo removed, made live again (`restored`), or left to another import."""

    import_id: int
    path: str
    removed: int
    restored: int
    kept: int


def imports(store: Store) -> pl.DataFrame:
    """Return the import log, newest first.

    Out  import_id, path, kind, loaded_at, undone_at, tables (their names, separated by commas),
         rows_read, rows_loaded, rows_unchanged, rows_set_aside over all tables of the file
    """
    with store.reading() as db:
        return db.query("imports/log")


def undo_import(store: Store, import_id: int) -> UndoReport:
    """Undo an import in one transaction; UndoError if there is none, or it was undone already."""
    with store.writing() as db:
        log = db.query("imports/log").filter(pl.col("import_id") == import_id)
        if log.is_empty():
            raise UndoError(f"there is no import {import_id}.")
        if log["undone_at"][0] is not None:
            raise UndoError(f"import {import_id} ({log['path'][0]}) was undone already.")
        claims = db.query("imports/claims", import_id=import_id)
        db.delete("claims", "import_id", [import_id])
        restored = 0
        for (name,), group in claims.group_by("table_name", maintain_order=True):
            restored += _release(db, str(name), group)
        now = datetime.now(UTC)
        db.change("imports/mark_undone", import_id=import_id, now=now)
        db.change("set_aside/mark_undone", import_id=import_id, now=now)
        db.change("set_aside/reopen", import_id=import_id)
        removed = claims.filter(~pl.col("elsewhere")).height
        kept, path = claims.height - removed, str(log["path"][0])
        counts = {"removed": removed, "restored": restored, "kept": kept}
        record(db, "import undone", f"import {import_id}, {path}", after=counts)
    return UndoReport(import_id=import_id, path=path, removed=removed, restored=restored, kept=kept)


def _release(db: Database, name: str, claims: pl.DataFrame) -> int:
    """Remove rows of a table that no import claims; return how many versions became live."""
    table = TABLES[name]
    before = db.versions(name)
    mine = claims["row_id"].unique().to_list()
    db.remove_rows(name, claims.filter(~pl.col("elsewhere"))["row_id"].to_list())
    if not table.key or table.key_may_be_empty:
        return 0
    keys = before.filter(pl.col("row_id").is_in(mine)).select(table.key).unique()
    versions = db.versions(name).join(keys, on=list(table.key), how="semi", nulls_equal=True)
    ranked = versions.join(
        db.query("imports/latest_claims", table_name=name), on="row_id", how="left"
    )
    ranked = ranked.sort("latest", "row_id", nulls_last=False)
    latest = ranked.unique(list(table.key), keep="last", maintain_order=True)
    revived = latest.filter(~pl.col("live"))["row_id"].to_list()
    live = set(latest["row_id"])
    retired = [i for i in versions.filter("live")["row_id"] if i not in live]
    db.set_live(name, retired, live=False)
    db.set_live(name, revived, live=True)
    return len(revived)
