"""Load files and folders into the store.

Everything is read and checked first. Then each file is committed in a transaction of its own,
those that others refer to first: a crash leaves whole files only, and loading again completes
the load.
"""

from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from time import monotonic

import polars as pl

from ingest.load.batches import Batch, context_of, prepare
from ingest.load.commit import DEPENDED_ON, commit_batch, stored_context
from ingest.load.contradictions import contradictions, devices_of
from ingest.load.corrections import retry_lacking
from ingest.load.report import LoadReport
from ingest.load.sources import Content, NothingToLoadError, gather, read, uploaded
from ingest.schema import SETTINGS, TABLES, UserError, fault, plural, spelled
from ingest.store import Database, Store

LONGEST_HOLD_S = 0.2  # then the store is released for others before the next file
Progress = Callable[[str, int, int], None]
Transactions = Callable[[], AbstractContextManager[Database]]


def load_paths(
    store: Store,
    paths: Iterable[str | Path],
    *,
    progress: Progress | None = None,
    dry_run: bool = False,
) -> LoadReport:
    """Load files and folders into the store, which is made if there is none.

    progress   called as (what, done, of) while files are read and loaded
    dry_run    report what the load would do, and leave the store as it is
    NothingToLoadError, before anything is loaded: a path does not exist.
    """
    tell = progress or _silent
    sources = gather(paths)
    report = LoadReport(recordings=sources.recordings)
    if sources.left_out:
        report.notices.append(_left_out(sources.left_out))
    contents = _read_all(sources.files, tell)
    load_contents(store, contents, report, tell=tell, dry_run=dry_run)
    return report


def load_uploads(
    store: Store,
    files: Iterable[tuple[str, bytes]],
    *,
    progress: Progress | None = None,
    only: Collection[str] = tuple(TABLES),
    dry_run: bool = False,
) -> LoadReport:
    """Load uploaded files, given by name and content; a name is the same file each time.

    only      the tables that the sender may change
    dry_run   report what the load would do, and leave the store as it is
    Recordings among them are not read, only named in the report. NothingToLoadError, before
    anything is loaded: a file holds another table.
    """
    contents, recordings = uploaded(files)
    report = LoadReport(recordings=[Path(name) for name, _ in recordings])
    load_contents(store, contents, report, tell=progress, only=only, dry_run=dry_run)
    return report


def load_contents(
    store: Store,
    contents: Iterable[Content],
    report: LoadReport,
    *,
    tell: Progress | None = None,
    only: Collection[str] = tuple(TABLES),
    dry_run: bool = False,
) -> None:
    """Check what files hold, put it into the store and add to the report."""
    zone, zones = _zones(store)
    batches = []
    for content in contents:
        batch = prepare(content, zone=zones.get(str(content.path), zone))
        columns = [column for checked in batch.tables for column in checked.table.columns]
        if batch.time_zone != zone and any(column.kind is datetime for column in columns):
            batch.add_notice(_other_zone(batch.time_zone, zone))
        batches.append(batch)
    _refuse_others(batches, only)
    if dry_run:
        _try_batches(store, batches, report)
        return
    load_batches(store, batches, report, tell=tell or _silent)
    after_load(store, batches, report)


def _try_batches(store: Store, batches: list[Batch], report: LoadReport) -> None:
    """Add what a load would do to the report, and take it back; no store: of an empty one."""
    with TemporaryDirectory() as folder:
        target = store if store.exists() else Store(Path(folder) / "empty.duckdb")
        context = context_of(batches, stored_context(target))
        with target.trying() as db:
            for batch in sorted(batches, key=Batch.order):
                report.add(commit_batch(db, batch, context))


def _read_all(files: list[Path], tell: Progress) -> Iterator[Content]:
    for done, file in enumerate(files):
        tell(f"reading {spelled(file.name)}", done, len(files))
        yield read(file)


def _silent(what: str, done: int, of: int) -> None:
    """Report no progress."""


def load_batches(store: Store, batches: list[Batch], report: LoadReport, *, tell: Progress) -> None:
    """Commit checked files, each in one transaction, and add them to the report."""
    context = context_of(batches, stored_context(store))
    waiting = deque(sorted(batches, key=Batch.order))
    while waiting:
        with store.transactions() as transaction:
            until = monotonic() + LONGEST_HOLD_S
            while waiting:
                batch = waiting.popleft()
                done = len(batches) - len(waiting)
                tell(f"loading {Path(batch.file).name}", done, len(batches))
                report.add(_commit(transaction, batch, context))
                if monotonic() > until:
                    break


def _commit(
    transaction: Transactions, batch: Batch, context: dict[str, pl.DataFrame]
) -> LoadReport:
    """Commit a checked file; one that the program fails on is set aside as a whole."""
    try:
        with transaction() as db:
            return commit_batch(db, batch, context)
    except UserError:
        raise
    except Exception as error:
        with transaction() as db:
            return commit_batch(db, batch.failed(fault(error, batch.file)), context)


def after_load(store: Store, batches: list[Batch], report: LoadReport) -> None:
    """Retry rows that lacked what this load brought; add contradictions to the notices."""
    if any(table.table in DEPENDED_ON and table.rows_loaded for table in report.files):
        again = retry_lacking(store)
        if again:
            report.notices.append(
                f"What {plural(again, 'bench row')} lacked is in: set aside before, loaded now."
            )
    if any(batch.tables for batch in batches):
        with store.reading() as db:
            report.notices += contradictions(
                lambda table: db.versions(table).filter("live"),
                devices=devices_of(batches),
                source=lambda table: db.query("imports/row_sources", table_name=table),
                today=datetime.now(UTC).date(),
            )


def _refuse_others(batches: list[Batch], only: Collection[str]) -> None:
    for batch in batches:
        others = sorted({c.table.name for c in batch.tables} - set(only))
        if others:
            raise NothingToLoadError(
                f"{Path(batch.file).name} holds the table {', '.join(others)}, which your role "
                f"may not change (it may change {', '.join(only)}). Nothing was loaded."
            )


def _zones(store: Store) -> tuple[str, dict[str, str]]:
    """Return the store's time zone, and by path the zone in which each file was last read."""
    if not store.exists():
        return str(SETTINGS["time_zone"].default), {}
    with store.reading() as db:
        zone = str(db.setting("time_zone"))
        last = db.query("imports/time_zones")
    return zone, dict(last.select("path", "time_zone").iter_rows())


def _other_zone(before: str, now: str) -> str:
    return (
        f"its times are read as {before}, as when it was first loaded, though the store's zone "
        f"is {now} now. To read them again, undo its import first."
    )


def _left_out(files: list[Path]) -> str:
    names = ", ".join(spelled(file.name) for file in files[:5])
    more = f" and {len(files) - 5} more" if len(files) > 5 else ""
    return f"no tables, and left out: {names}{more}."
