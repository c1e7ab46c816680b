"""One checked file into an open store: compare, set aside, add, and write it into the log."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl

from ingest.load.batches import Batch, entry_of, table_problems
from ingest.load.merge import Merge, merge
from ingest.load.report import LoadReport, TableEntry
from ingest.load.set_aside import settle_aside, write_aside
from ingest.store import Database, Store
from ingest.validate import ROW, Checked, settle_across

LEANED_ON = ("meters", "mass_sets", "installations")  # tables that bench rows lean on


def stored_context(store: Store) -> dict[str, pl.DataFrame]:
    """The store's tables that other tables' rows lean on; empty if there is no store."""
    if not store.exists():
        return {}
    with store.reading() as db:
        return {name: db.frame(name) for name in LEANED_ON}


def load_batch(db: Database, batch: Batch, context: dict[str, pl.DataFrame]) -> LoadReport:
    """Put one checked file into an open store."""
    now = datetime.now(UTC)
    import_id = int(db.query("next_import_id")["next"][0])
    seen = _seen_tables(db, batch)
    merges: list[tuple[Checked, Merge]] = []
    for checked in batch.tables:
        versions = _versions_in_question(db, checked)
        settle_across(checked, versions.filter("live"), context)
        known = (checked.sheet, checked.table.name, checked.content_hash) in seen
        change = merge(
            checked.table,
            versions,
            checked.frame,
            next_row_id=db.next_row_id(checked.table.name),
            seen_before=known,
        )
        _apply(db, checked, change, import_id=import_id, claim=not known)
        merges.append((checked, change))
        for text in change.changes:
            batch.say(text, checked.sheet)
    changes = settle_aside(db, batch)
    entries = batch.entries + [
        entry_of(checked, loaded=change.loaded) for checked, change in merges
    ]
    write_aside(db, batch, changes, import_id=import_id, now=now)
    recorded = batch.kind == "load" or any(e.rows_read > e.rows_set_aside for e in entries)
    if recorded:
        _record(db, batch, entries, import_id=import_id, now=now)
    rows = batch.set_aside + [row for checked in batch.tables for row in checked.set_aside]
    return LoadReport(
        files=entries,
        set_aside=table_problems(rows),
        notices=list(batch.notices),
        import_ids=[import_id] if recorded else [],
    )


def _versions_in_question(db: Database, checked: Checked) -> pl.DataFrame:
    """The store's rows that the file's may meet: of large tables, those of its sessions."""
    table = checked.table
    if table.same_within is None:
        return db.versions(table.name)
    group = table.same_within[0]
    return db.versions(table.name, where=group, among=checked.frame[group].unique().to_list())


def _seen_tables(db: Database, batch: Batch) -> set[tuple[str | None, str, str]]:
    """Tables of the file as they stood when it was last loaded: sheet, name, hash."""
    if batch.kind != "load":
        return set()
    last = db.query("last_load", path=str(batch.path))
    return set(last.select("sheet", "table_name", "sha256").iter_rows())


def _apply(db: Database, checked: Checked, change: Merge, *, import_id: int, claim: bool) -> None:
    name = checked.table.name
    db.add_rows(name, change.added)
    db.set_live(name, change.retired, live=False)
    db.set_live(name, change.revived, live=True)
    claims = change.claims
    if not claim:  # the same file again: its earlier import holds the rows already
        claims = claims.filter(pl.col("row_id").is_in(change.added["row_id"].implode()))
    db.insert(
        "claims",
        claims.select(
            pl.lit(import_id).alias("import_id"),
            pl.lit(name).alias("table_name"),
            "row_id",
            pl.lit(checked.sheet, pl.String).alias("sheet"),
            pl.col(ROW).alias("row"),
        ),
    )


def _record(
    db: Database, batch: Batch, entries: list[TableEntry], *, import_id: int, now: datetime
) -> None:
    hashes = {(c.sheet, c.table.name): c.content_hash for c in batch.tables}
    header = {
        "import_id": [import_id],
        "path": [str(batch.path)],
        "kind": [batch.kind],
        "sha256": [batch.sha256],
        "time_zone": [batch.time_zone],
        "loaded_at": [now],
    }
    db.insert("imports", pl.DataFrame(header))
    lines = [
        {
            "import_id": import_id,
            "sheet": entry.sheet,
            "table_name": entry.table,
            "sha256": hashes.get((entry.sheet, entry.table or ""), batch.sha256),
            "rows_read": entry.rows_read,
            "rows_loaded": entry.rows_loaded,
            "rows_unchanged": entry.rows_unchanged,
            "rows_set_aside": entry.rows_set_aside,
        }
        for entry in entries
    ]
    if lines:
        db.insert("import_tables", pl.DataFrame(lines, infer_schema_length=None))
    if batch.notices:
        said = pl.DataFrame({"text": batch.notices})
        db.insert("import_notices", said.with_columns(import_id=pl.lit(import_id)))
