"""The only door from the screens and the command line to the store and the models."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from ingest.schema import UserError
from ingest.store import Store

Document = dict[str, Any]
Say = Callable[[str], None]


class NothingDoneError(UserError):
    """What was asked cannot be done; the text is one clear line."""


def is_expected(problem: Exception) -> bool:
    """Whether the problem's text is written for the user."""
    return isinstance(problem, UserError)


def problem_line(problem: Document) -> str:
    """One set-aside cell in a line: where, what was found, what was expected, what to do."""
    where = ", ".join(
        str(part)
        for part in (
            problem["file"],
            problem.get("sheet") and f"sheet {problem['sheet']}",
            problem["row"] is not None and f"row {problem['row']}",
            problem["column"],
        )
        if part
    )
    return f'{where}: found "{problem["found"]}", expected {problem["expected"]}. {problem["fix"]}'


# ---------------------------------------------------------------- commands


def load(store: Path, paths: Sequence[Path], *, fit: bool = True, say: Say) -> Document:
    """Read files and folders into the store, then refit."""
    from ingest.load import load_paths

    progress = _Progress(say)
    loaded = load_paths(Store(store), list(paths), progress=progress.tell)
    document: Document = dict(loaded.to_document())
    document["recordings"] = [str(path) for path in loaded.recordings]
    if loaded.recordings or any(entry.table == "pairs" for entry in loaded.files):
        document["notices"] += _rides(Store(store), loaded.recordings, progress)
    anything = bool(document["files"]) or bool(loaded.recordings)
    document["fit"] = refit(store, say=progress.later) if fit and anything else None
    return document


def _rides(store: Store, recordings: list[Path], progress: _Progress) -> list[str]:
    from models import run

    notices = run.take_in(store, recordings, say=progress.later)
    return notices + run.evaluate_pairs(store, say=progress.later)


class _Progress:
    """Says what is going on, but nothing about what is over within a second."""

    def __init__(self, say: Say) -> None:
        self._say, self._begun, self._said = say, time.monotonic(), 0.0

    def tell(self, what: str, done: int, of: int) -> None:
        """One step of many."""
        now = time.monotonic()
        if now - self._begun > 1.0 and now - self._said > 0.5:
            self._said = now
            self._say(f"{what} ({done} of {of})")

    def later(self, text: str) -> None:
        """A stage that may take long."""
        self._say(text)


def refit(store: Path, *, say: Say) -> Document:
    """Refit the models and keep the results."""
    from models import run

    return run.refit(Store(store), say=say)


def status(store: Path, *, as_of: date | None, say: Say) -> Document:
    """The fleet on a day."""
    from models import run

    return dict(run.status(Store(store), as_of=as_of, say=say))


def history(store: Path, meter_id: str, *, as_of: date | None, say: Say) -> Document:
    """One meter over time."""
    from models import run

    return dict(run.history(Store(store), meter_id, as_of=as_of, say=say))


def bench_files(paths: Sequence[Path]) -> tuple[Document, list[Document]]:
    """Evaluate the bench sessions of files; no store."""
    from models import run

    document, problems = run.bench_files(list(paths))
    return document, [dict(problem) for problem in problems]


def compare_files(meter: Path, reference: Path) -> Document:
    """Evaluate a pair of recordings; no store."""
    from models import run

    return run.compare_files(meter, reference)


def export(store: Path, folder: Path, form: Any) -> list[Path]:
    """Every input table as files."""
    from ingest.store import export_tables

    return list(export_tables(Store(store), folder, form))


def backup(store: Path, target: Path) -> Path:
    """A copy of the store."""
    return Store(store).backup(target)


def imports(store: Path) -> list[Document]:
    """The files that were loaded, newest first."""
    from ingest.load import imports as log

    return log(Store(store)).to_dicts()


def undo_import(store: Path, import_id: int) -> Document:
    """Take back what one file brought in."""
    from dataclasses import asdict

    from ingest.load import undo_import as undo

    return asdict(undo(Store(store), import_id))


def export_rider(store: Path, rider_id: str, folder: Path) -> list[Path]:
    """One rider's data as files."""
    from ingest.admin import export_rider as write

    return list(write(Store(store), rider_id, folder))


def remove_rider(store: Path, rider_id: str) -> Document:
    """Remove one rider's data from the store for good."""
    from dataclasses import asdict

    from ingest.admin import remove_rider as remove

    return asdict(remove(Store(store), rider_id))


def write_template(folder: Path) -> list[Path]:
    """Empty tables, a workbook, a data dictionary."""
    from ingest.schema import write_template as write

    return list(write(folder))


def settings(store: Path) -> Document:
    """The settings a user may change."""
    from ingest.schema import SETTINGS

    with Store(store).reading() as db:
        return {k: v for k, v in db.settings().items() if not SETTINGS[k].internal}


def set_setting(store: Path, key: str, value: str) -> None:
    """Change a setting of a store (made if there is none)."""
    from ingest.store import record

    with Store(store).writing() as db:
        before = db.settings().get(key)
        after = db.set_setting(key, value)
        record(db, "setting", key, before=before, after=after)


def set_aside(store: Path) -> list[Document]:
    """Rows that did not load and were not corrected yet."""
    from ingest.load import set_aside_documents

    return set_aside_documents(Store(store))


def write_set_aside(store: Path, folder: Path) -> list[Path]:
    """Write the set-aside rows out as CSV, a file a table, to correct and load."""
    from ingest.load import export_set_aside

    return list(export_set_aside(Store(store), folder))


def build_demo(store: Path, *, say: Say) -> None:
    """Build the demo fleet's store if there is none."""
    from models import run

    if Store(store).exists():
        return
    say("building the demo fleet (once)")
    run.build_demo(Store(store), say=say)


def write_document(file: Path, content: bytes) -> Path:
    """Write a finished document such as a PDF."""
    from ingest.store import write_document as write

    return write(file, content)
