"""One checked file into an open store: compare, set aside, add, and write the import log."""

from datetime import UTC, datetime

import polars as pl

from ingest.load.batches import Batch, context_of, table_report
from ingest.load.merge import Merge, merge
from ingest.load.report import LoadReport, TableReport
from ingest.load.set_aside import compare_set_aside, write_set_aside
from ingest.schema import plural
from ingest.store import ROW_CHANGED, Database, Store, record_all
from ingest.validate import ROW, SIGNATURE, Checked, check_across_rows, signature

FEW_ROWS = 50
DEPENDED_ON = ("meters", "mass_sets", "installations")  # by bench rows, by no others


def stored_context(store: Store) -> dict[str, pl.DataFrame]:
    """Return the store's rows of DEPENDED_ON, by table; empty if there is no store."""
    if not store.exists():
        return {}
    with store.reading() as db:
        return {name: db.frame(name) for name in DEPENDED_ON}


def commit_batch(
    db: Database, batch: Batch, context: dict[str, pl.DataFrame] | None = None
) -> LoadReport:
    """Put one checked file into an open store and return what changed.

    context  every table as it will be after this load, from `context_of`; None: this file is the
             whole load
    """
    context = _context_alone(db, batch) if context is None else context
    now = datetime.now(UTC)
    import_id = db.next_number("imports", "import_id")
    seen = _tables_seen(db, batch)
    merges = [
        (checked, _merge_table(db, batch, checked, context, seen, import_id=import_id))
        for checked in batch.tables
    ]
    replaced = [row for _, change in merges for row in change.changes]
    record_all(db, ROW_CHANGED, [(f"{r.table} {r.key}", r.before, r.after) for r in replaced])
    changes = compare_set_aside(db, batch)
    tables = batch.reported + [
        table_report(checked, loaded=change.loaded) for checked, change in merges
    ]
    write_set_aside(db, batch, changes, import_id=import_id, now=now)
    recorded = batch.kind == "load" or any(t.rows_read > t.rows_set_aside for t in tables)
    if recorded:
        _record(db, batch, tables, import_id=import_id, now=now)
    return LoadReport(
        files=tables,
        set_aside=batch.problems(),
        notices=list(batch.notices),
        changed=replaced,
        import_ids=[import_id] if recorded else [],
    )


def _context_alone(db: Database, batch: Batch) -> dict[str, pl.DataFrame]:
    """Return the tables that others depend on, as they will be after this file alone."""
    bench = any(checked.table.name == "bench" for checked in batch.tables)
    needed = DEPENDED_ON if bench else ()
    return context_of([batch], {name: db.frame(name) for name in needed})


def _merge_table(
    db: Database,
    batch: Batch,
    checked: Checked,
    context: dict[str, pl.DataFrame],
    seen: set[tuple[str | None, str, str]],
    *,
    import_id: int,
) -> Merge:
    """Check a table against the store, put it in, and return what that changed."""
    versions = _versions_to_compare(db, checked)
    known = (checked.sheet, checked.table.name, checked.content_hash) in seen
    if known and checked.kept:
        _leave_replaced(checked, versions)
    if batch.kind == "load" and checked.table.on_change == "conflict":
        _leave_corrected(batch, checked, versions)
    check_across_rows(checked, versions.filter("live"), context)
    change = merge(
        checked.table,
        versions,
        checked.frame,
        next_row_id=db.next_row_id(checked.table.name),
        seen_before=known,
    )
    _apply(db, checked, change, import_id=import_id, claim=not known)
    for row in change.changes:
        batch.add_notice(row.sentence(), checked.sheet)
    return change


def _versions_to_compare(db: Database, checked: Checked) -> pl.DataFrame:
    """Return the store's rows that the file's may meet.

    Of large tables those of its sessions; for a few rows of a person those with the same device.
    """
    table, mine = checked.table, checked.frame
    group = table.same_within[0] if table.same_within else table.key[0] if table.key else None
    many = table.same_within is None and mine.height > FEW_ROWS
    if group is None or many or mine[group].dtype != pl.String or mine[group].null_count():
        return db.versions(table.name)
    return db.versions(table.name, where=group, among=mine[group].unique().to_list())


def _leave_replaced(checked: Checked, versions: pl.DataFrame) -> None:
    """Leave out the rows of a table that was loaded before and does not bring every column.

    What they brought is in, and what a later file put in its place stays.
    """
    key = list(checked.table.key)
    checked.frame = checked.frame.join(
        versions.select(key).unique(), on=key, how="anti", nulls_equal=True, maintain_order="left"
    )


def _leave_corrected(batch: Batch, checked: Checked, versions: pl.DataFrame) -> None:
    """Leave out rows as they were before a person corrected them here."""
    known = versions.with_columns(signature(checked.table))
    rows = checked.frame.with_columns(signature(checked.table))
    before = rows.join(known.filter(~pl.col("live")), on=SIGNATURE, how="semi").join(
        known.filter("live"), on=SIGNATURE, how="anti"
    )
    if before.is_empty():
        return
    checked.frame = checked.frame.filter(~pl.col(ROW).is_in(before[ROW].implode()))
    batch.add_notice(
        f"Corrected here by hand since, and left so: {plural(before.height, 'row')}.", checked.sheet
    )


def _tables_seen(db: Database, batch: Batch) -> set[tuple[str | None, str, str]]:
    """Return the file's tables as they were when it was last loaded: sheet, name, hash."""
    if batch.kind != "load":
        return set()
    last = db.query("imports/last_load", path=str(batch.path))
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
    db: Database, batch: Batch, tables: list[TableReport], *, import_id: int, now: datetime
) -> None:
    checked = {(c.sheet, c.table.name): c for c in batch.tables}
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
            "sheet": table.sheet,
            "table_name": table.table,
            **_content(checked.get((table.sheet, table.table or "")), batch),
            "rows_read": table.rows_read,
            "rows_loaded": table.rows_loaded,
            "rows_unchanged": table.rows_unchanged,
            "rows_set_aside": table.rows_set_aside,
        }
        for table in tables
    ]
    if lines:
        db.insert("import_tables", pl.DataFrame(lines, infer_schema_length=None))
    if batch.notices:
        notices = pl.DataFrame({"text": batch.notices})
        db.insert("import_notices", notices.with_columns(import_id=pl.lit(import_id)))


def _content(checked: Checked | None, batch: Batch) -> dict[str, str | None]:
    """Return what tells a table's content from another's, and the columns that it brought."""
    if checked is None:
        return {"sha256": batch.sha256, "brought": None}
    brought = ",".join(sorted(checked.brought)) if checked.kept else None
    return {"sha256": checked.content_hash, "brought": brought}
