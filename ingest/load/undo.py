"""Undoing an import: afterwards the store is as if the file had never been loaded.

A row is removed when no other import claims it. Of a keyed row, each import that is left puts the
columns that it brought over those before it, in the order of the imports. Of a session that was
corrected by hand, the correction before comes back.
"""

from datetime import UTC, datetime
from typing import TypedDict

import polars as pl

from ingest.schema import TABLES, Table
from ingest.store import Database, Store, StoreError, record

LOG = ("imports", "import_tables")
LOGGED = 5  # columns of the log that are an import's own; the others are of a table of it


class UndoError(StoreError):
    """An import that does not exist or was undone already."""


class UndoReport(TypedDict):
    """How many rows an undo removed, made live again (`restored`), or left to another import."""

    import_id: int
    path: str
    removed: int
    restored: int
    kept: int


def imports(store: Store, *, most: int | None = None) -> pl.DataFrame:
    """Return the import log, newest first. most: entries of it; None: all.

    Out  import_id, path, kind, loaded_at, undone_at, tables (their names, separated by commas),
         rows_read, rows_loaded, rows_unchanged, rows_set_aside over all tables of the file
    """
    with store.reading() as db:
        return db.kept(("imports", most), LOG, lambda: _log(db, most))


def _log(db: Database, most: int | None = None) -> pl.DataFrame:
    lines = db.query("imports/log", most=most)
    named = pl.col("table_name").drop_nulls().unique(maintain_order=True)
    summed = [pl.col(name).sum() for name in lines.columns if name.startswith("rows_")]
    return (
        lines.group_by(lines.columns[:LOGGED], maintain_order=True)
        .agg(named.str.join(", ").alias("tables"), *summed)
        .with_columns(pl.col("tables").replace("", None))
    )


def undo_import(store: Store, import_id: int) -> UndoReport:
    """Undo an import in one transaction; UndoError if there is none, or it was undone already."""
    with store.writing() as db:
        log = _log(db).filter(pl.col("import_id") == import_id)
        if log.is_empty():
            raise UndoError(f"there is no import {import_id}.")
        if log["undone_at"][0] is not None:
            raise UndoError(f"import {import_id} ({log['path'][0]}) was undone already.")
        claims = db.query("imports/claims", import_id=import_id)
        before = {str(t): _named(db, str(t), own) for (t,), own in claims.group_by("table_name")}
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
        record(db, "import undone", f"import {import_id}, {path}", before=before, after=counts)
    return UndoReport(import_id=import_id, path=path, removed=removed, restored=restored, kept=kept)


def _named(db: Database, name: str, claims: pl.DataFrame) -> list[str]:
    """Return what the claimed rows of a table are about: meters, else its first column."""
    table = TABLES[name]
    by = "meter_id" if "meter_id" in table.names else table.names[0]
    rows = db.versions(name).filter(pl.col("row_id").is_in(claims["row_id"].implode()))
    return [str(one) for one in rows[by].drop_nulls().unique().sort()]


def _release(db: Database, name: str, claims: pl.DataFrame) -> int:
    """Remove rows of a table that no import claims; return how many versions became live."""
    table = TABLES[name]
    before = db.versions(name)
    mine = claims["row_id"].unique().to_list()
    db.remove_rows(name, claims.filter(~pl.col("elsewhere"))["row_id"].to_list())
    if table.same_within is not None:
        group = table.same_within[0]
        return _revive_groups(db, table, before.filter(pl.col("row_id").is_in(mine))[group])
    if not table.key:
        return 0
    keys = before.filter(pl.col("row_id").is_in(mine)).select(table.key).unique()
    versions = db.versions(name).join(keys, on=list(table.key), how="semi", nulls_equal=True)
    claimed = db.query("imports/claims_of_table", table_name=name)
    layers = versions.join(claimed, on="row_id", how="inner").sort("import_id", "row_id")
    live = [
        _as_left(db, table, group) for _, group in layers.group_by(table.key, maintain_order=True)
    ]
    was = versions.filter("live")["row_id"]
    db.set_live(name, [row for row in was if row not in live], live=False)
    revived = [row for row in live if row not in set(was)]
    db.set_live(name, revived, live=True)
    return len(revived)


def _revive_groups(db: Database, table: Table, groups: pl.Series) -> int:
    """Make the rows live that groups (sessions) have since their last replacement that is left."""
    group = groups.name
    versions = db.versions(table.name, where=group, among=groups.unique().to_list())
    claimed = db.query("imports/claims_of_table", table_name=table.name)
    rows = versions.join(claimed, on="row_id", how="inner")
    since = pl.col("import_id").filter(pl.col("kind") == "replacement").max().over(group)
    left = rows.filter(pl.col("import_id") >= since.fill_null(0))["row_id"].implode()
    stays = pl.col("row_id").is_in(left)
    revived = versions.filter(~pl.col("live") & stays)["row_id"].to_list()
    db.set_live(
        table.name, versions.filter(pl.col("live") & ~stays)["row_id"].to_list(), live=False
    )
    db.set_live(table.name, revived, live=True)
    return len(revived)


def _as_left(db: Database, table: Table, layers: pl.DataFrame) -> int:
    """Return the row that a key's imports leave: a version there is, or a new one.

    layers  its versions, each with the import that claims it and the columns that this brought
    """
    values: dict[str, object] = {}
    for layer in layers.iter_rows(named=True):
        brought = table.names if layer["brought"] is None else layer["brought"].split(",")
        values |= {name: layer[name] for name in (*table.key, *brought)}
    row = table.conform(pl.DataFrame([values], infer_schema_length=None))
    same = layers.join(row, on=table.names, how="semi", nulls_equal=True)
    if not same.is_empty():
        return int(same["row_id"][-1])
    last = layers.row(-1, named=True)
    row_id = db.next_row_id(table.name)
    db.add_rows(table.name, row.with_columns(row_id=pl.lit(row_id)))
    claim = {name: [last[name]] for name in ("import_id", "sheet", "row")}
    db.insert("claims", pl.DataFrame({**claim, "table_name": [table.name], "row_id": [row_id]}))
    return row_id
