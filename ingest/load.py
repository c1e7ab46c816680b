"""From files and folders into the store: `load_paths`.

Everything is read and checked first. Then each file goes in by a transaction of its own, those
that others refer to first: a crash leaves whole files only, and loading again completes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from ingest.across import settle_across
from ingest.aside import settle_aside, write_aside
from ingest.batch import Batch, context_of, entry_of, prepare, table_problems
from ingest.checks import ROW, Checked
from ingest.contradictions import contradictions, devices_of
from ingest.merge import Merge, merge
from ingest.report import LoadReport, TableEntry
from ingest.settings import SETTINGS
from ingest.sources import gather, read
from ingest.store import Database, Store

Progress = Callable[[str, int, int], None]
LEANED_ON = ("meters", "mass_sets", "installations")  # tables that bench rows lean on


def load_paths(
    store: Store, paths: Iterable[str | Path], *, progress: Progress | None = None
) -> LoadReport:
    """Load files and folders into the store, which is made if there is none.

    progress   called as (what, done, of) while files are read and loaded
    A path that does not exist raises `NothingToLoadError` before anything is loaded.
    """
    tell = progress or (lambda what, done, of: None)
    sources = gather(paths)
    report = LoadReport(recordings=sources.recordings)
    if sources.left_out:
        report.notices.append(_left_out(sources.left_out))
    zone, zones = _zones(store, sources.files)
    batches = []
    for done, file in enumerate(sources.files):
        tell(f"reading {file.name}", done, len(sources.files))
        batches.append(prepare(read(file), zone=zones.get(file.resolve(), zone)))
    load_batches(store, batches, report, tell=tell)
    return report


def load_batches(store: Store, batches: list[Batch], report: LoadReport, *, tell: Progress) -> None:
    """Put checked files into the store, each in one transaction, and add to the report."""
    context = context_of(batches, stored_context(store))
    for done, batch in enumerate(sorted(batches, key=Batch.order)):
        tell(f"loading {Path(batch.file).name}", done, len(batches))
        with store.writing() as db:
            report.add(load_batch(db, batch, context))
    if any(batch.tables for batch in batches):
        with store.reading() as db:
            report.notices += contradictions(
                lambda table: db.versions(table).filter("live"),
                devices=devices_of(batches),
                source=lambda table: db.query("row_sources", table_name=table),
                today=datetime.now(UTC).date(),
            )


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
        versions = db.versions(checked.table.name)
        settle_across(checked, versions.filter("live"), context)
        known = (checked.sheet, checked.table.name, checked.content_hash) in seen
        change = merge(checked.table, versions, checked.frame, seen_before=known)
        _apply(db, checked, change, import_id=import_id, claim=not known)
        merges.append((checked, change))
        for text in change.changes:
            batch.say(text, checked.sheet)
    changes = settle_aside(db, batch)
    entries = batch.entries + [
        entry_of(checked, loaded=change.loaded) for checked, change in merges
    ]
    write_aside(db, batch, changes, import_id=import_id, now=now)
    _record(db, batch, entries, import_id=import_id, now=now)
    rows = batch.set_aside + [row for checked in batch.tables for row in checked.set_aside]
    return LoadReport(
        files=entries,
        set_aside=table_problems(rows),
        notices=list(batch.notices),
        import_ids=[import_id],
    )


def _zones(store: Store, files: list[Path]) -> tuple[str, dict[Path, str]]:
    """The store's time zone; and that of the files that were read in another one before."""
    default = str(SETTINGS["time_zone"].default)
    if not store.exists():
        return default, {}
    with store.reading() as db:
        zone = str(db.setting("time_zone"))
        last = db.query("time_zones_of_files")
    known = dict(last.select("path", "time_zone").iter_rows())
    resolved = {file.resolve() for file in files}
    return zone, {path: known[str(path)] for path in resolved if str(path) in known}


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


def _left_out(files: list[Path]) -> str:
    names = ", ".join(file.name for file in files[:5])
    more = f" and {len(files) - 5} more" if len(files) > 5 else ""
    return f"no tables, and left out: {names}{more}."
