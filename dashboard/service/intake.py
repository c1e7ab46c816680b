"""What the intake page asks: files in, rows put right, imports taken back, tables out.

A method with a parameter `allowed` is told by the guard which tables the person who asks may
change (dashboard.security.rights.LOADS); a page cannot say it.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Collection, Sequence
from contextlib import suppress
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from dashboard.service.commands import Document, NothingDoneError
from dashboard.service.kept import Kept, Remembered
from dashboard.service.work import Tell, Work
from ingest import admin, load
from ingest.load import load_uploads, recordings_among
from ingest.schema import TABLES

EVERY_TABLE = tuple(TABLES)
SEEN_AT_ONCE = 25  # set-aside rows on the page
MORE_S = 5.0  # a fit waits until nothing has been changed for so long
LONGEST_S = 20.0  # but no longer than this
POLITE = 10  # how far a fit stands back for the pages
FORMS = ("csv", "xlsx", "parquet")


class IntakeDoor(Kept):
    """Everything that goes into the store and comes out of it as files."""

    @cached_property
    def worker(self) -> Work:
        """The line of work in the background; not for pages."""
        return Work()

    # ---- files in ---------------------------------------------------------------------------

    def begin_load(
        self, files: Sequence[tuple[str, bytes]], *, allowed: Collection[str] = EVERY_TABLE
    ) -> None:
        """Load files by name and content in the background, then refit."""
        kept = list(files)
        self.worker.begin("load", lambda tell: self._load(kept, allowed, tell))

    def _load(
        self, files: list[tuple[str, bytes]], allowed: Collection[str], tell: Tell
    ) -> Document:
        report = load_uploads(
            self._store,
            files,
            progress=lambda what, done, of: tell(f"{what} ({done} of {of})"),
            only=allowed,
        )
        rides = recordings_among(files) if "pairs" in allowed else []
        if rides or any(entry.table == "pairs" for entry in report.files):
            from models import run

            report.notices += run.take_in_uploads(self._store, rides, say=tell)
        if report.rows_loaded or rides:
            self.begin_fit()
        return report.to_document() | {"recordings": [str(path) for path in report.recordings]}

    def _busy(self) -> bool:
        return self.worker.busy or super()._busy()

    def begin_fit(self) -> None:
        """Refit in the background."""
        self.worker.begin("fit", self._fit)

    def _fit_soon(self) -> None:
        """The same after a single row: others often follow, and one fit takes them all in."""
        self.worker.begin("fit", self._fit_after_more)

    def _fit_after_more(self, tell: Tell) -> Document | None:
        tell("as soon as nothing more is changed")
        latest, seen = time.monotonic() + LONGEST_S, None
        while seen != self._standing().data and time.monotonic() < latest:
            seen = self._standing().data
            time.sleep(MORE_S)
        return self._fit(tell)

    def _fit(self, tell: Tell) -> Document | None:
        """Refit in a process of its own, so that the pages stay quick meanwhile."""
        command = [sys.executable, "-m", "dashboard.cli", "fit", "--format", "json"]
        command += ["--store", str(self._store.path)]
        with subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8"
        ) as fitting:
            _stand_back(fitting.pid)
            said = ""
            for line in fitting.stderr or ():
                said = line.strip()
                tell(said)
            answer = fitting.stdout.read() if fitting.stdout else ""
        if not answer:
            raise NothingDoneError(f"the fit failed: {said}")
        self.begin_warm()
        return dict(json.loads(answer))

    def begin_warm(self) -> None:
        """Make in the background what the first visitor would wait for."""
        self.worker.begin("warm", lambda _tell: self._warm())

    def work(self) -> Document:
        """What is being done in the background, and how what was done before ended."""
        state = self.worker.state()
        own = {name: state["ended"][name] for name in ("load", "fit") if name in state["ended"]}
        return state | {"ended": own}

    # ---- rows set aside -----------------------------------------------------------------------

    def set_aside(self, *, allowed: Collection[str] = EVERY_TABLE) -> list[Document]:
        """Rows that wait for a correction: set_aside_id, file, sheet, table, row, cells,

        problems [{column, found, expected, fix}].
        """
        rows = self._lists()["set_aside"]
        return [row for row in rows if row["table"] is None or row["table"] in allowed]

    @cached_property
    def _lists(self) -> Remembered[dict[str, list[Document]]]:
        return Remembered(self._store, self._read_lists)

    def _read_lists(self) -> dict[str, list[Document]]:
        """What the page lists, read in one go."""
        if not self._store.exists():
            return {"set_aside": [], "imports": [], "events": [], "riders": []}
        with self._store.reading() as db:
            ids = db.query("riders_named")["rider_id"].to_list()
            rows = load.set_aside_rows(self._store).iter_rows(named=True)
            return {
                "set_aside": [_aside(row) for row in rows],
                "imports": load.imports(self._store).to_dicts(),
                "events": load.proposed_events(self._store).to_dicts(),
                "riders": [{"rider_id": rider_id} for rider_id in ids],
            }

    def correct_row(
        self,
        set_aside_id: int,
        values: dict[str, str | None],
        *,
        allowed: Collection[str] = EVERY_TABLE,
    ) -> list[str]:
        """Put new cells into a set-aside row and load it; what is still wrong, in sentences."""
        self._allowed_row(set_aside_id, allowed)
        report = load.correct_set_aside(self._store, set_aside_id, values)
        if not report.set_aside:
            self._fit_soon()
        return [problem.sentence() for problem in report.set_aside]

    def dismiss_row(self, set_aside_id: int, *, allowed: Collection[str] = EVERY_TABLE) -> None:
        """Mark a set-aside row as one that is not wanted."""
        self._allowed_row(set_aside_id, allowed)
        load.dismiss_set_aside(self._store, set_aside_id)

    def _allowed_row(self, set_aside_id: int, allowed: Collection[str]) -> None:
        seen = {row["set_aside_id"] for row in self.set_aside(allowed=allowed)}
        if set_aside_id not in seen:
            raise NothingDoneError("This row is not set aside any more; open the page again.")

    # ---- imports ------------------------------------------------------------------------------

    def imports(self) -> list[Document]:
        """The files that were loaded, newest first."""
        return list(self._lists()["imports"])

    def undo_import(self, import_id: int, *, allowed: Collection[str] = EVERY_TABLE) -> Document:
        """Take back what one file brought in: removed, restored, kept."""
        log = load.imports(self._store).filter(pl.col("import_id") == import_id)
        tables = (log["tables"][0] or "").split(", ") if log.height else []
        others = [name for name in tables if name and name not in allowed]
        if others:
            raise NothingDoneError(
                f"This import holds the table {', '.join(others)}, which your role may not change."
            )
        done = load.undo_import(self._store, import_id)
        self._fit_soon()
        counts: Document = {"removed": done.removed, "restored": done.restored, "kept": done.kept}
        return counts

    # ---- proposed events ------------------------------------------------------------------------

    def proposed_events(self) -> list[Document]:
        """Events that wait for a person's word: event_row and the columns of `events`."""
        return list(self._lists()["events"])

    def decide_event(self, event_row: int, decision: str) -> None:
        """Confirm or reject a proposed event."""
        load.decide_event(self._store, event_row, decision)
        self._fit_soon()

    # ---- files out ------------------------------------------------------------------------------

    def template_file(self) -> tuple[str, bytes]:
        """Empty tables to fill in: file name and content."""
        return admin.template_parcel()

    def tables_file(self, form: str) -> tuple[str, bytes]:
        """Every input table, in one of FORMS."""
        return admin.tables_parcel(self._store, _form(form))

    def device_tables_file(self, form: str) -> tuple[str, bytes]:
        """The input tables that are about devices and money, in one of FORMS."""
        return admin.tables_parcel(self._store, _form(form), tables=admin.device_tables())

    def set_aside_file(self) -> tuple[str, bytes]:
        """The set-aside rows, to correct in a spreadsheet."""
        return admin.set_aside_parcel(self._store)

    def store_file(self) -> tuple[str, bytes]:
        """A copy of the store."""
        return admin.store_parcel(self._store)

    def rider_file(self, rider_id: str) -> tuple[str, bytes]:
        """Every row that names a rider."""
        return admin.rider_parcel(self._store, rider_id)

    # ---- riders ---------------------------------------------------------------------------------

    def riders_named(self) -> list[Document]:
        """The riders that tables name: rider_id."""
        return list(self._lists()["riders"])

    def remove_rider(self, rider_id: str) -> Document:
        """Remove one rider's data for good: rows_removed, rows_without_name."""
        done = admin.remove_rider(self._store, rider_id)
        self._fit_soon()
        return {"rows_removed": done.rows_removed, "rows_without_name": done.rows_without_name}


def _aside(row: dict[str, Any]) -> Document:
    return {
        "set_aside_id": row["set_aside_id"],
        "file": Path(row["file"]).name,
        "sheet": row["sheet"],
        "table": row["table_name"],
        "row": row["row"],
        "cells": load.by_column(row["now"]),
        "problems": row["problems"],
    }


def _stand_back(process: int) -> None:
    """Let whatever somebody waits for go first, where the system knows of that."""
    if hasattr(os, "setpriority"):
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, process, POLITE)


def _form(form: str) -> Any:
    if form not in FORMS:
        raise NothingDoneError(f'found "{form}", expected one of: {", ".join(FORMS)}')
    return form
