"""Folders from which files are taken in as they appear, and the fit that follows them.

A file is moved once what it holds is in the store. Where the process ends between the two, the
file is still there afterwards and is taken in again, which changes nothing: the store holds equal
rows once, and a recording by its content.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from threading import Event, Thread
from typing import Any, Protocol

from ingest.admin import SETTLED_S, Inbox
from ingest.load import is_loadable
from ingest.schema import UserError
from ingest.store import StoreError
from models import run

EVERY_S = 1.0  # between two looks into the folders
QUIET_S = 10.0  # a fit waits until nothing has come for so long
LONGEST_S = 300.0  # but no longer than this
MOST_FILES, MOST_BYTES = 100, 64_000_000  # taken in at once
AGAIN_S = 30.0  # after a failure that is not a file's
NOT_TAKEN = "no table, workbook or recording, and left as it is"


class Asks(Protocol):
    """What a watch asks: a question of `models.run` by its function, and what it is about."""

    def __call__(self, question: Any, /, *args: Any) -> Any: ...


class Watch:
    """Folders that are watched. ask: puts a question; say: is told a line a file."""

    def __init__(
        self,
        folders: Sequence[Path],
        ask: Asks,
        say: Callable[[str], None],
        *,
        settled_s: float = SETTLED_S,
        quiet_s: float = QUIET_S,
    ) -> None:
        self._inboxes = [Inbox(folder, settled_s) for folder in folders]
        self._ask, self._say, self._quiet_s = ask, say, quiet_s
        self._unfitted: float | None = None  # when rows first came in that no fit has seen
        self._latest = 0.0

    def open(self) -> None:
        """Keep the folders for this watch; UserError where one cannot be watched."""
        for inbox in self._inboxes:
            inbox.open()
            self._say(f"watching {inbox.folder}")
        if self._ask(run.is_behind):  # a watch before was ended before its fit
            self._unfitted = self._latest = time.monotonic()

    def run(self, stopped: Event) -> None:
        """Take in what appears until told to stop."""
        while not stopped.wait(EVERY_S):
            try:
                self.look(stopped)
                if not stopped.is_set():
                    self.fit_when_quiet()
            except (UserError, OSError) as problem:  # the store is gone or held, the disk is full
                self._say(f"waiting, then trying again: {problem}")
                stopped.wait(AGAIN_S)
            except Exception as problem:
                self._say(f"failed by a fault of the program, trying again: {problem!r}")
                stopped.wait(AGAIN_S)
        self.close()

    def close(self) -> None:
        """Leave the folders to others."""
        for inbox in self._inboxes:
            inbox.close()

    def look(self, stopped: Event | None = None) -> int:
        """Take in what is whole now, or until told to stop; return how many files that were."""
        count = 0
        for inbox in self._inboxes:
            for files in _portions(self._taken(inbox)):
                self._take_in(inbox, files)
                count += len(files)
                if stopped is not None and stopped.is_set():
                    return count
        return count

    def _taken(self, inbox: Inbox) -> Iterator[Path]:
        """Yield the files to take in; others go aside."""
        for file in inbox.whole():
            if is_loadable(file):
                yield file
            else:
                inbox.put(file, "aside", NOT_TAKEN)
                self._log(file.name, "aside", NOT_TAKEN)

    def _take_in(self, inbox: Inbox, files: list[Path]) -> None:
        named = {inbox.name_of(file): file for file in files}
        for told in self._outcomes(inbox.contents(files)):
            inbox.put(named[told["name"]], told["outcome"], told["note"])
            self._log(told["name"], told["outcome"], told["note"].splitlines()[0])
            if told["rows_loaded"]:
                self._latest = time.monotonic()
                self._unfitted = self._unfitted or self._latest

    def _outcomes(self, held: dict[str, bytes]) -> list[Any]:
        """Take in files, by name and content; one that cannot be costs itself alone."""
        try:
            found: list[Any] = self._ask(run.take_in_files, list(held.items()))
            return found
        except (StoreError, OSError):  # not the file's: it stays where it is
            raise
        except Exception as fault:
            if len(held) > 1:
                return [
                    told for name, data in held.items() for told in self._outcomes({name: data})
                ]
            own = f"the program fails on it by its own fault ({fault!r}): please report it"
            note = str(fault) if isinstance(fault, UserError) else own
            return [{"name": n, "outcome": "aside", "note": note, "rows_loaded": 0} for n in held]

    def fit_when_quiet(self) -> None:
        """Refit if rows came in since the last fit and nothing more is coming."""
        now = time.monotonic()
        if self._unfitted is None:
            return
        if now - self._latest < self._quiet_s and now - self._unfitted < LONGEST_S:
            return
        self._unfitted = None
        told = self._ask(run.refit)
        how = "" if told["converged"] else ", which did not converge: take it as provisional"
        self._log("fit", "done", f"in {told['seconds']:.0f} s{how}")

    def _log(self, name: str, outcome: str, note: str) -> None:
        self._say(f"{datetime.now():%Y-%m-%d %H:%M:%S} {outcome} {name}: {note}")


def _portions(files: Iterator[Path]) -> Iterator[list[Path]]:
    """Yield files in portions that fit into memory; all names in one differ."""
    portion: list[Path] = []
    size = 0
    for file in files:
        portion.append(file)
        size += file.stat().st_size
        if len(portion) >= MOST_FILES or size >= MOST_BYTES:
            yield portion
            portion, size = [], 0
    if portion:
        yield portion


def watch_beside(watch: Watch) -> Event:
    """Watch in a thread of its own; return what stops it."""
    stopped = Event()
    Thread(target=watch.run, args=(stopped,), daemon=True, name="watch").start()
    return stopped
