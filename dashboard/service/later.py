"""Answers that take long: worked out beside the pages, which ask again until they are there."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from dashboard.service.commands import is_expected
from dashboard.service.kept import Kept

LOG = logging.getLogger("slopewatch.dashboard")
Document = dict[str, Any]
Say = Callable[[str], None]
Make = Callable[[Say], Document]
WORKERS = 2  # so that a simulation does not hold up a plan
FORGOTTEN_S = 20.0  # nobody has asked for that long: work not begun yet is not begun at all


@dataclass
class _Job:
    """One answer in the making."""

    make: Make
    begun: float
    asked: float
    said: str = ""
    started: bool = False
    answer: Future[Document] = field(default_factory=Future)

    def tell(self, text: str) -> None:
        """What is being done just now."""
        self.said = text


class Later(Kept):
    """Documents worked out in the background, kept until the data change."""

    def __init__(self, store: Path) -> None:
        super().__init__(store)
        self._lock = threading.Lock()
        self._jobs: dict[tuple[object, ...], _Job] = {}
        self._working = 0

    def _later(self, make: Make, *key: object) -> Document:
        """What there is of an answer; the first to ask sets the work going.

        state    done, working or failed
        document the answer, once it is done
        said     what is being done, or in words why it failed
        seconds  since it was asked for
        """
        full, now = (*self._version(), "later", *key), time.monotonic()
        with self._lock:
            job = self._jobs.get(full)
            if job is None:
                job = self._jobs[full] = _Job(make, now, now)
            job.asked = now
            self._keep_few()
            self._set_going()
        return self._told(full, job, now)

    def _ready(self, as_of: str | None, say: Say) -> Any:
        """The records of a day and the fleet model on them (models.run.Prepared), kept."""
        from models import run

        day = date.fromisoformat(as_of) if as_of else None
        say("putting together what is known of the fleet")
        return self._kept(lambda: run.prepare(self._store, as_of=day, say=say), "fleet", as_of)

    def _told(self, full: tuple[object, ...], job: _Job, now: float) -> Document:
        told: Document = {"state": "working", "document": None, "said": job.said}
        told["seconds"] = round(now - job.begun, 1)
        if not job.answer.done():
            return told
        problem = job.answer.exception()
        if problem is None:
            return told | {"state": "done", "document": job.answer.result(), "said": ""}
        with self._lock:
            self._jobs.pop(full, None)  # asked again, it is tried again
        return told | {"state": "failed", "said": _in_words(problem)}

    def _keep_few(self) -> None:
        done = [key for key, job in self._jobs.items() if job.answer.done()]
        for key in sorted(done, key=lambda key: self._jobs[key].asked)[: -self.KEPT // 4]:
            del self._jobs[key]

    def _set_going(self) -> None:
        waiting = sum(not job.started for job in self._jobs.values())
        if waiting and self._working < WORKERS:
            self._working += 1
            threading.Thread(target=self._work, daemon=True).start()

    def _work(self) -> None:
        while (job := self._next()) is not None:
            try:
                job.answer.set_result(job.make(job.tell))
            except Exception as problem:
                if not is_expected(problem):
                    LOG.exception("an answer could not be worked out")
                job.answer.set_exception(problem)

    def _next(self) -> _Job | None:
        """The job asked about last; those that nobody asks about any more are dropped."""
        with self._lock:
            late = time.monotonic() - FORGOTTEN_S
            for key in [k for k, j in self._jobs.items() if not j.started and j.asked < late]:
                del self._jobs[key]
            waiting = [job for job in self._jobs.values() if not job.started]
            if not waiting:
                self._working -= 1
                return None
            job = max(waiting, key=lambda job: job.begun)
            job.started = True
            return job


def _in_words(problem: BaseException) -> str:
    if isinstance(problem, Exception) and is_expected(problem):
        return str(problem)
    return "That did not work; the program's log says why."
