"""What goes into a store and comes out of it: loads, rows put right, imports, downloads."""

import time
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Literal

import polars as pl

from ingest import admin, load, store
from ingest.load import LoadReport, load_paths, load_uploads, recordings_among
from ingest.matching import are_own
from ingest.recordings import stage, unreadable_among
from ingest.schema import SETTINGS, write_template
from ingest.store import record
from models.run.documents import LoadDocument, Loaded, LoadedFiles, Row, SetAside, TakenIn
from models.run.fitting import refit
from models.run.known import COACH, MANAGER, MECHANIC, OWNER, Fleet, change, question, taken_in
from models.run.recordings import evaluate_pairs, take_in, take_in_uploads
from models.wording import NoAnswerError, Reason

Form = Literal["csv", "xlsx", "parquet"]
NEWEST_IMPORTS = 100  # are listed; a log of years would make every visit slow
FORMS: tuple[Form, ...] = ("csv", "xlsx", "parquet")
File = tuple[str, bytes]  # a file's name, and what is in it


def load_folders(
    fleet: Fleet, paths: Sequence[Path], *, fit: bool = True, dry_run: bool = False
) -> LoadDocument:
    """Read files and folders into the store, then refit; return the `load` document.

    dry_run: change nothing; the document says what the load would do
    """
    report = load_paths(fleet.store, list(paths), progress=_counted(fleet.say), dry_run=dry_run)
    document = _loaded(report)
    if dry_run:
        return {**document, "fit": None}
    if report.recordings or _brings_pairs(report):
        document["notices"] += take_in(
            fleet.store, report.recordings, say=fleet.say, workers=fleet.workers
        )
        document["notices"] += evaluate_pairs(fleet.store, say=fleet.say)
    anything = bool(document["files"]) or bool(report.recordings)
    return {**document, "fit": refit(fleet) if fit and anything else None}


def _counted(say: Callable[[str], None]) -> Callable[[str, int, int], None]:
    """Tell what is going on, but nothing of what is over within a second."""
    begun, told = time.monotonic(), 0.0

    def progress(what: str, done: int, of: int) -> None:
        nonlocal told
        now = time.monotonic()
        if now - begun > 1.0 and now - told > 0.5:
            told = now
            say(f"{what} ({done} of {of})")

    return progress


def _brings_pairs(report: LoadReport) -> bool:
    return any(entry.table == "pairs" for entry in report.files)


@change("files loaded", MECHANIC, MANAGER, place="records", then="fit")
def load_files(fleet: Fleet, files: Sequence[File]) -> LoadedFiles:
    """Load files by name and content; return the `load` document without `fit`.

    Sheets of a team's own making are not read, but held for `match_sheets`.

    Raise a UserError where a file holds a table that whoever asks may not change.
    """
    own, files = are_own(files)
    report = LoadReport()  # of sheets alone nothing is loaded yet
    if files:
        report = load_uploads(
            fleet.store,
            files,
            progress=lambda what, done, of: fleet.say(f"{what} ({done} of {of})"),
            only=fleet.person.tables,
        )
    rides = recordings_among(files) if "pairs" in fleet.person.tables else []
    if rides or _brings_pairs(report):
        report.notices += take_in_uploads(fleet.store, rides, say=fleet.say)
    return {**_loaded(report), "sheets": stage(fleet.store, own) if own else None}


@change("files taken in", MECHANIC, MANAGER, place="records")
def take_in_files(fleet: Fleet, files: Sequence[File]) -> list[TakenIn]:
    """Load files of an inbox, by name and content; return what became of each. No fit follows.

    A file that was taken in before changes nothing.
    """
    own, others = are_own(files)
    report = load_uploads(fleet.store, others, only=fleet.person.tables)
    rides = recordings_among(others)
    if not fleet.store.exists():
        with fleet.store.writing():
            fleet.say("began a store")
    if rides or _brings_pairs(report):
        for text in take_in_uploads(fleet.store, rides, say=fleet.say):
            fleet.say(text)
    broken = unreadable_among(fleet.store, rides)
    told = {name: _not_taken(name, Reason("own_sheet")) for name, _ in own}
    told |= {name: _not_taken(name, broken[name]) for name in broken}
    kept = {name for name, _ in rides}
    return [told.get(name) or _taken_in(report, name, is_ride=name in kept) for name, _ in files]


def _not_taken(name: str, why: Reason | str) -> TakenIn:
    return {"name": name, "outcome": "aside", "note": str(why), "rows_loaded": 0}


def _taken_in(report: LoadReport, name: str, *, is_ride: bool) -> TakenIn:
    tables = [table for table in report.files if table.path == name]
    read, loaded, unchanged, aside = (
        sum(getattr(table, f"rows_{what}") for table in tables)
        for what in ("read", "loaded", "unchanged", "set_aside")
    )
    named = [table.table or "no known table" for table in tables]
    said = Reason("rows_in", tables=named, loaded=loaded, unchanged=unchanged, aside=aside)
    problems = [problem.sentence() for problem in report.set_aside if problem.file == name]
    brought = said if tables else Reason("ride_in") if is_ride else Reason("nothing_in")
    lost = bool(problems) and aside == read
    return {
        "name": name,
        "outcome": "aside" if lost else "done",
        "note": "\n".join([str(brought), *problems]),
        "rows_loaded": loaded,
    }


@question(watts=False)
def is_behind(fleet: Fleet) -> bool:
    """Return whether rows came in that no fit has seen."""
    if fleet.is_empty:
        return False
    with fleet.store.reading() as db:
        return taken_in(db.derived("fit_info"))[0] != db.data_version()


@question(MECHANIC, MANAGER, kept=False)
def preview_files(fleet: Fleet, files: Sequence[File]) -> Loaded:
    """Return what `load_files` would do with files, without doing it.

    Raise a UserError where a file holds a table that whoever asks may not change.
    """
    return _loaded(load_uploads(fleet.store, files, only=fleet.person.tables, dry_run=True))


def _loaded(report: LoadReport) -> Loaded:
    return {**report.to_document(), "recordings": [str(path) for path in report.recordings]}


@question(MECHANIC, MANAGER, reads=("set_aside",))
def set_aside(fleet: Fleet) -> list[SetAside]:
    """Return the rows that wait for a correction, of the tables that whoever asks may change."""
    if not fleet.store.exists():
        return []
    rows = load.set_aside_rows(fleet.store).iter_rows(named=True)
    return [_aside(row) for row in rows if row["table_name"] in (None, *fleet.person.tables)]


def _aside(row: Row) -> SetAside:
    return {
        "set_aside_id": row["set_aside_id"],
        "file": Path(row["file"]).name,
        "sheet": row["sheet"],
        "table": row["table_name"],
        "row": row["row"],
        "cells": load.by_column(row["now"]),
        "problems": row["problems"],
    }


def write_set_aside(fleet: Fleet, folder: Path) -> list[Path]:
    """Write the set-aside rows out as CSV, a file a table, to correct and load."""
    return list(load.export_set_aside(fleet.store, folder))


@change("row corrected", MECHANIC, MANAGER, then="fit soon")
def correct_row(fleet: Fleet, set_aside_id: int, values: dict[str, str | None]) -> list[str]:
    """Put new cells into a set-aside row and load it; return what is still wrong, in sentences."""
    _require_row(fleet, set_aside_id)
    report = load.correct_set_aside(fleet.store, set_aside_id, values)
    return [problem.sentence() for problem in report.set_aside]


@change("suggestions accepted", MECHANIC, MANAGER, then="fit soon")
def accept_suggestions(fleet: Fleet) -> load.Accepted:
    """Take every suggestion that is sure, in the tables that whoever asks may change."""
    return load.accept_suggestions(fleet.store, only=fleet.person.tables)


@change("row dismissed", MECHANIC, MANAGER)
def dismiss_row(fleet: Fleet, set_aside_id: int) -> None:
    """Mark a set-aside row as one that is not wanted."""
    _require_row(fleet, set_aside_id)
    load.dismiss_set_aside(fleet.store, set_aside_id)


def _require_row(fleet: Fleet, set_aside_id: int) -> None:
    if set_aside_id not in {row["set_aside_id"] for row in set_aside(fleet)}:
        raise NoAnswerError("This row is not set aside any more; open the page again.")


@question(MECHANIC, MANAGER, watts=False, reads=("imports", "import_tables"))
def imports(fleet: Fleet, most: int | None = None) -> list[Row]:
    """Return the files that were loaded, newest first. most: of them; None: all."""
    return load.imports(fleet.store, most=most).to_dicts() if fleet.store.exists() else []


@change("import undone", MECHANIC, MANAGER, then="fit soon")
def undo_import(fleet: Fleet, import_id: int) -> load.UndoReport:
    """Take back what one file brought in; return what was removed, restored, kept.

    Raise a UserError where the import holds a table that whoever asks may not change.
    """
    log = load.imports(fleet.store).filter(pl.col("import_id") == import_id)
    tables = (log["tables"][0] or "").split(", ") if log.height else []
    others = [name for name in tables if name and name not in fleet.person.tables]
    if others:
        raise NoAnswerError(
            f"This import holds the table {', '.join(others)}, which your role may not change."
        )
    return load.undo_import(fleet.store, import_id)


@question(MECHANIC, watts=False, reads=("events",))
def proposed_events(
    fleet: Fleet, meter_id: str | None = None, most: int | None = None
) -> list[Row]:
    """Return the events that wait for a person's word: event_row and the columns of `events`.

    meter_id: of this meter alone; most: so many of them, the newest; None: all
    """
    if not fleet.store.exists():
        return []
    rows = load.proposed_events(fleet.store)
    mine = rows if meter_id is None else rows.filter(pl.col("meter_id") == meter_id)
    return mine.head(mine.height if most is None else most).to_dicts()


@question(MECHANIC, watts=False, reads=("events",))
def events_waiting(fleet: Fleet) -> int:
    """Return how many events wait for a person's word."""
    return load.proposed_events(fleet.store).height if fleet.store.exists() else 0


@change("event decided", MECHANIC, then="fit soon")
def decide_event(fleet: Fleet, event_row: int, decision: str) -> None:
    """Confirm or reject a proposed event."""
    load.decide_event(fleet.store, event_row, decision)


@question(watts=False, kept=False)
def template_file(fleet: Fleet) -> File:
    """Return empty tables to fill in: file name and content."""
    return admin.template_download()


@question(OWNER, kept=False)
def tables_file(fleet: Fleet, form: str) -> File:
    """Return every input table, in one of FORMS."""
    return admin.tables_download(fleet.store, _form(form))


@question(MECHANIC, MANAGER, watts=False, kept=False)
def device_tables_file(fleet: Fleet, form: str) -> File:
    """Return the input tables that are about devices and money, in one of FORMS."""
    return admin.tables_download(fleet.store, _form(form), tables=admin.device_tables())


@question(OWNER, kept=False)
def set_aside_file(fleet: Fleet) -> File:
    """Return the set-aside rows, to correct in a spreadsheet."""
    return admin.set_aside_download(fleet.store)


@question(OWNER, kept=False)
def store_file(fleet: Fleet) -> File:
    """Return a copy of the store."""
    return admin.store_download(fleet.store)


@question(COACH, kept=False)
def rider_file(fleet: Fleet, rider_id: str) -> File:
    """Return every row that names a rider."""
    return admin.rider_download(fleet.store, rider_id)


def _form(form: str) -> Form:
    for known in FORMS:
        if form == known:
            return known
    raise NoAnswerError(f'found "{form}", expected one of: {", ".join(FORMS)}')


def write_tables(fleet: Fleet, folder: Path, form: Form) -> list[Path]:
    """Write every input table into a folder; return the files."""
    return list(store.export_tables(fleet.store, folder, form))


def write_rider(fleet: Fleet, rider_id: str, folder: Path) -> list[Path]:
    """Write one rider's data into a folder; return the files."""
    return list(admin.export_rider(fleet.store, rider_id, folder))


def write_templates(folder: Path) -> list[Path]:
    """Write empty tables, a workbook and a data dictionary into a folder; return the files."""
    return list(write_template(folder))


def back_up(fleet: Fleet, target: Path) -> list[Path]:
    """Copy the store and its recordings; return the copies."""
    return list(admin.back_up(fleet.store, target))


def back_up_today(fleet: Fleet, folder: Path, *, keep: int) -> Path | None:
    """Make the day's backup in a folder and leave the newest `keep`; None where it is there."""
    admin.forget_old(fleet.store, today=date.today())
    return admin.back_up_today(fleet.store, folder, keep=keep, today=date.today())


def diagnose(fleet: Fleet, save_to: Path | None = None) -> store.Diagnosis:
    """Return what is wrong with the store's file; save_to: a new file for what can be read."""
    return store.diagnose(fleet.store, save_to=save_to)


def write_document(file: Path, content: bytes) -> Path:
    """Write a finished document such as a PDF."""
    return store.write_document(file, content)


@question(
    COACH,
    watts=False,
    reads=("riders", "assignments", "efforts", "calendar", "comparisons", "pairs"),
)
def riders_named(fleet: Fleet) -> list[Row]:
    """Return the riders that tables name: rider_id."""
    if not fleet.store.exists():
        return []
    with fleet.store.reading() as db:
        return db.query("people/riders_named").select("rider_id").to_dicts()


@change("rider removed", then="fit soon")
def remove_rider(fleet: Fleet, rider_id: str) -> admin.RemovalReport:
    """Remove one rider's data for good; return what was removed."""
    return admin.remove_rider(fleet.store, rider_id)


def settings(fleet: Fleet) -> Row:
    """Return the settings that a user may change, by name."""
    with fleet.store.reading() as db:
        return {k: v for k, v in db.settings().items() if not SETTINGS[k].internal}


def set_setting(fleet: Fleet, key: str, value: str) -> None:
    """Change a setting of a store, which is made if there is none."""
    with fleet.store.writing() as db:
        before = db.settings().get(key)
        after = db.set_setting(key, value)
        record(db, "setting", key, before=before, after=after)
    admin.forget_old(fleet.store, today=date.today())
