"""Work that takes long, done beside the pages: one thing after the other, its state to be seen."""

from __future__ import annotations

import contextvars
import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from dashboard.service.commands import is_expected

LOG = logging.getLogger("slopewatch.dashboard")
Document = dict[str, Any]
Tell = Callable[[str], None]
Task = Callable[[Tell], Document | None]


@dataclass
class _Job:
    """One piece of work. name: two waiting jobs of one name are one."""

    name: str
    task: Task
    context: contextvars.Context


class Work:
    """A line of jobs and the one thread that works it off; the thread ends when it is empty."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: deque[_Job] = deque()
        self._thread: threading.Thread | None = None
        self._now: str | None = None
        self._text = ""
        self._done: dict[str, tuple[int, Document | None, str | None]] = {}

    def begin(self, name: str, task: Task) -> None:
        """Put a job into the line; one of the same name that waits already is replaced."""
        job = _Job(name, task, contextvars.copy_context())
        with self._lock:
            self._waiting = deque(j for j in self._waiting if j.name != name or name == "load")
            self._waiting.append(job)
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, daemon=True)
                self._thread.start()

    def state(self) -> Document:
        """now: the name of the job at work, or None; text: what it says; waiting: how many more;

        and for each name of a job that has ended: {"count", "answer", "failure"} of the last.
        """
        with self._lock:
            ended = {
                name: {"count": count, "answer": answer, "failure": failure}
                for name, (count, answer, failure) in self._done.items()
            }
            waiting = len(self._waiting)
            return {"now": self._now, "text": self._text, "waiting": waiting, "ended": ended}

    @property
    def busy(self) -> bool:
        """Whether something other than warming up is at work or waits."""
        with self._lock:
            names = [self._now, *(job.name for job in self._waiting)]
        return any(name in ("load", "fit") for name in names)

    def wait(self, timeout_s: float = 300.0) -> None:
        """Until the line is empty; for programs, not for pages."""
        thread = self._thread
        if thread is not None:
            thread.join(timeout_s)

    def _run(self) -> None:
        while True:
            with self._lock:
                if not self._waiting:
                    self._thread = self._now = None
                    return
                job = self._waiting.popleft()
                self._now, self._text = job.name, ""
            answer, failure = self._work(job)
            with self._lock:
                count = self._done.get(job.name, (0, None, None))[0] + 1
                self._done[job.name] = (count, answer, failure)

    def _work(self, job: _Job) -> tuple[Document | None, str | None]:
        try:
            return job.context.run(job.task, self._tell), None
        except Exception as problem:
            if is_expected(problem):
                return None, str(problem)
            LOG.exception("work in the background failed: %s", job.name)
            return None, "That did not work; the program's log says why."

    def _tell(self, text: str) -> None:
        with self._lock:
            self._text = text
