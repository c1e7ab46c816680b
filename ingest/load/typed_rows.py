"""Rows that stand in no file: entered in a form, kept from a ride, proposed, or decided about.

They are checked, merged and claimed like a file's rows and become one import, so that they are
listed and taken back like a file. What comes from a form is entered as a whole or not at all.
"""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

import polars as pl

from ingest.load.batches import Batch, prepare
from ingest.load.commit import commit_batch
from ingest.load.loading import after_load, load_contents
from ingest.load.report import LoadReport
from ingest.load.sources import UPLOADS, entered
from ingest.load.undo import UndoReport, imports, undo_import
from ingest.schema import EVENTS, TABLES, Problem, finished, shortened
from ingest.store import Database, Store, StoreError, record
from ingest.validate import Entry, cell_text, complete, signature, stored_rows

Rows = Sequence[Mapping[str, object]]
MOST_ROWS = 400
MARK = "-entry-"
WITH_IT = " and with it"
"""Ends the name of an entry that goes when the session goes that it was made with."""
SESSION_CORRECTED = "bench session corrected"
DECISIONS = ("confirmed", "rejected")


class EntryRefusedError(StoreError):
    """Nothing of an entry was kept: the text says which cell, and what is expected there."""


class DecisionError(StoreError):
    """An event that cannot be decided about: gone, or decided already."""


@dataclass(frozen=True)
class Committed:
    """An entry that is in the store. already: it was in before, nothing changed."""

    import_id: int
    already: bool
    notices: tuple[str, ...] = ()


def commit_rows(store: Store, table: str, rows: Rows, *, name: str) -> Committed:
    """Enter rows of one table as one import; all of them, or EntryRefusedError and none.

    rows  cells by column, as JSON has them: numbers, or text as a person would write it
    name  what the entry is called: the same name and rows again change nothing
    """
    content = entered(_entry(table, name, rows))
    batch = prepare(content, zone=store.time_zone())
    before = _import_of(store, batch)
    if before is not None:
        return Committed(before, already=True)
    _refuse(table, batch.problems())
    with store.writing() as db:
        report = _commit_whole(db, batch)
    after_load(store, [batch], report)
    return Committed(report.import_ids[0], not report.rows_loaded, tuple(report.notices))


def commit_tables(
    store: Store, entries: Sequence[tuple[str, Rows]], *, name: str
) -> tuple[int, ...]:
    """Enter rows of several tables together, all or, with EntryRefusedError, none; their imports.

    entries  table and rows; cells that no row of an entry names are left as they are
    """
    zone = store.time_zone()
    batches = [
        prepare(entered(_entry(table, name, rows)), zone=zone, kind="correction")
        for table, rows in entries
        if rows
    ]
    report = LoadReport()
    with store.writing() as db:
        for batch in batches:
            report.add(_commit_whole(db, batch))
    after_load(store, batches, report)
    return tuple(report.import_ids)


def replace_session(store: Store, table: str, rows: Rows, *, name: str) -> Committed:
    """Put rows in the place of all rows that a session has; the old ones stay on record.

    name  the session that every row names; EntryRefusedError where the store does not hold it
    """
    batch = prepare(entered(_entry(table, name, rows)), zone=store.time_zone(), kind="replacement")
    _refuse(table, batch.problems())
    new = batch.tables[0].frame
    with store.writing() as db:
        old = _session_rows(db, table, name)
        if old.is_empty():
            raise EntryRefusedError(f"there is no session {name} any more: it was taken back.")
        if _signatures(table, old) == _signatures(table, new):
            return Committed(_newest_import(db, table, old)[0], already=True)
        before, after = differences(table, old, new)
        db.set_live(table, old["row_id"].to_list(), live=False)
        report = _commit_whole(db, batch)
        record(db, SESSION_CORRECTED, name, before=before, after=after)
    after_load(store, [batch], report)
    return Committed(report.import_ids[0], already=False, notices=tuple(report.notices))


def entry_of(store: Store, table: str, session: str) -> tuple[int, bool] | None:
    """Return the newest import with a session's rows, and whether it was entered by hand here."""
    with store.reading() as db:
        return entry_in(db, table, _session_rows(db, table, session))


def entry_in(db: Database, table: str, rows: pl.DataFrame) -> tuple[int, bool] | None:
    """Return the same of an open store. rows: the session's live rows, with their row_id."""
    if rows.is_empty():
        return None
    import_id, path = _newest_import(db, table, rows)
    return import_id, _is_by_hand(path)


def _session_rows(db: Database, table: str, session: str) -> pl.DataFrame:
    """Return the live rows of a session, with their row_id."""
    within = TABLES[table].same_within
    assert within is not None
    return db.versions(table, where=within[0], among=[session]).filter("live")


def _newest_import(db: Database, table: str, rows: pl.DataFrame) -> tuple[int, str]:
    """Return the newest import that brought any of the rows, and the path it came from."""
    ids = rows["row_id"].to_list()
    found = db.query("imports/newest_of_rows", table_name=table, row_ids=ids)
    return int(found["import_id"][0]), str(found["path"][0])


def _signatures(table: str, rows: pl.DataFrame) -> list[str]:
    return sorted(rows.select(signature(TABLES[table])).to_series().to_list())


def differences(
    table: str, old: pl.DataFrame, new: pl.DataFrame
) -> tuple[dict[str, str | None], dict[str, str | None]]:
    """Return what differs between two versions of a session, as it was and as it is.

    By column where it changed from one value to another in the whole session, else by reading
    and column.
    """
    before: dict[str, str | None] = {}
    after: dict[str, str | None] = {}
    nothing: dict[str, object] = {}
    rows = zip_longest(old.iter_rows(named=True), new.iter_rows(named=True), fillvalue=nothing)
    pairs = list(rows)
    for column in TABLES[table].names:
        cells = [(_cell(was.get(column)), _cell(now.get(column))) for was, now in pairs]
        whole = len(set(cells)) == 1
        for number, (was, now) in enumerate(cells[:1] if whole else cells, 1):
            if was != now:
                where = column if whole else f"reading {number}, {column}"
                before[where], after[where] = was, now
    return before, after


def _cell(value: object) -> str | None:
    return None if value is None else cell_text(value)


def draft_rows(table: str, rows: Rows, *, zone: str = "UTC") -> pl.DataFrame:
    """Return rows of a draft as the store would hold them: every column of the table, typed.

    EntryRefusedError: a cell that cannot be used. What other rows say is not looked at.
    """
    batch = prepare(entered(_entry(table, "unsaved", rows)), zone=zone)
    complete(batch.tables[0], TABLES[table].empty())
    _refuse(table, batch.problems())
    return TABLES[table].conform(batch.tables[0].frame)


def load_frames(store: Store, tables: Mapping[str, pl.DataFrame], *, known_in: Path) -> LoadReport:
    """Load rows that the program found, an import for each table; bad rows are set aside.

    tables    typed rows by the table's name; those without rows are left out
    known_in  the folder in whose files the import log says they are: the same each time, so that
              a load goes on from the one before
    """
    entries = [
        Entry(TABLES[name], frame, str(known_in / f"{name}.csv"))
        for name, frame in tables.items()
        if not frame.is_empty()
    ]
    report = LoadReport()
    load_contents(store, [entered(entry) for entry in entries], report)
    return report


def take_back(store: Store, import_id: int, *, tables: Collection[str]) -> UndoReport:
    """Undo an entry of `commit_rows` in one of `tables`; EntryRefusedError for another import.

    With the last entry of a session go the rows of other tables that were entered with it.
    """
    log = imports(store).filter(pl.col("import_id") == import_id)
    by_hand = bool(log.height) and _is_by_hand(str(log["path"][0]))
    if not by_hand or log["tables"][0] not in tables:
        raise EntryRefusedError(f"import {import_id} was no entry of this page.")
    report = undo_import(store, import_id)
    for beside in _entered_with(store, str(log["tables"][0]), str(log["path"][0])):
        undo_import(store, beside)
    return report


def _entered_with(store: Store, table: str, path: str) -> list[int]:
    """Return the entries made with a session that is gone; none while the store holds it."""
    session = Path(path).stem.split(MARK, 1)[1]
    if TABLES[table].same_within is None or entry_of(store, table, session) is not None:
        return []
    kept = imports(store).filter(pl.col("undone_at").is_null())
    names = pl.col("path").str.split("/").list.last()
    return kept.filter(names.str.ends_with(f"{MARK}{session}{WITH_IT}.csv"))["import_id"].to_list()


def _is_by_hand(path: str) -> bool:
    """Return whether an import's path is that of an entry of `commit_rows`."""
    return Path(path).parent == UPLOADS and MARK in Path(path).name


def proposed_events(store: Store) -> pl.DataFrame:
    """Return the events that wait for a decision, newest first: event_row, columns of `events`."""
    with store.reading() as db:
        return db.kept("events/proposed", ("events",), lambda: db.query("events/proposed"))


def decide_event(store: Store, event_row: int, decision: str) -> None:
    """Confirm or reject a proposed event, in one transaction with the record of it."""
    if decision not in DECISIONS:
        raise DecisionError(f'found "{decision}", expected one of: {", ".join(DECISIONS)}.')
    with store.writing() as db:
        row = db.versions("events", where="row_id", among=[event_row])
        rows = row.filter(pl.col("live") & (pl.col("state") == "proposed"))
        if rows.is_empty():
            raise DecisionError("this event was decided about already; open the page again.")
        _commit_whole(db, _decided(rows.with_columns(state=pl.lit(decision)), db))
        [event] = rows.to_dicts()
        device = event["meter_id"] or event["reference_id"] or event["bench_id"]
        subject = f"{device}, {event['event']} on {event['date']}"
        record(db, f"event {decision}", subject, before="proposed", after=decision)


def _decided(rows: pl.DataFrame, db: Database) -> Batch:
    """Return stored events with another state as an import: they were checked when they came."""
    zone = str(db.setting("time_zone"))
    checked = stored_rows(EVENTS, rows, "decided by hand")
    batch = Batch(Path(checked.file), checked.file, checked.content_hash, zone, "correction")
    batch.tables.append(checked)
    return batch


def _entry(table: str, name: str, rows: Rows) -> Entry:
    """Return rows of a form as text cells; columns that no row names are not brought."""
    if not rows or len(rows) > MOST_ROWS:
        raise EntryRefusedError(f"found {len(rows)} rows, expected 1 to {MOST_ROWS}.")
    cells = {
        column: [None if row.get(column) is None else str(row[column]) for row in rows]
        for column in TABLES[table].names
        if any(column in row for row in rows)
    }
    frame = pl.DataFrame(cells, schema=dict.fromkeys(cells, pl.String))
    plain = re.sub(r"[^\w .+-]", "_", name)
    return Entry(TABLES[table], frame, str(UPLOADS / f"{table}{MARK}{plain}.csv"))


def _commit_whole(db: Database, batch: Batch) -> LoadReport:
    """Commit an entry; EntryRefusedError, which undoes the transaction, if a row is set aside."""
    report = commit_batch(db, batch)
    _refuse(batch.tables[0].table.name, report.set_aside)
    return report


def _refuse(table: str, problems: Sequence[Problem]) -> None:
    """Raise EntryRefusedError with the first problems in words; nothing without one."""
    if problems:
        row = "reading" if table == "bench" else "row"
        texts = list(dict.fromkeys(_sentence(problem, row) for problem in problems))
        raise EntryRefusedError("not saved: " + " ".join(texts[:3]))


def _sentence(problem: Problem, row: str) -> str:
    number = "" if problem.row is None else f"{row} {problem.row - 1}, "
    found = "nothing" if problem.found is None else f'"{shortened(problem.found)}"'
    where = f"{number}{problem.column or 'the entry'}"
    return f"{where}: found {found}, expected {problem.expected}. {finished(problem.fix)}"


def _import_of(store: Store, batch: Batch) -> int | None:
    """Return the import that brought the same entry, if there is one and it was not undone."""
    if not store.exists():
        return None
    with store.reading() as db:
        last = db.query("imports/last_load", path=str(batch.path))
    same = last.filter(pl.col("sha256") == batch.tables[0].content_hash)
    return None if same.is_empty() else int(same["import_id"][0])
