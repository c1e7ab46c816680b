"""Work beside the pages: processes of their own that answer what takes long.

A lane is one or two processes and the line of jobs before them. A fit, a plan or a simulation never
runs in the process that serves the pages. A job goes on when the page that asked is closed, tells
what it is doing, can be cancelled, and ends with the server.
"""

from __future__ import annotations

import atexit
import logging
import multiprocessing
import threading
import time
from concurrent.futures import CancelledError, Future
from dataclasses import dataclass, field
from functools import cache, partial
from multiprocessing.queues import Queue
from typing import Any, Generic, Literal, TypedDict, TypeVar

from pebble import ProcessPool

from dashboard.service.worker import Call, Heard, answer, begin
from ingest.schema import UserError

LOG = logging.getLogger("slopewatch.dashboard")
T = TypeVar("T")
Wanted = Literal["now", "ahead"]
FAILED = "That did not work; the program's log says why."
CANCELLED = "It was stopped before it was done."


class Progress(TypedDict, Generic[T]):
    """What there is of an answer that takes long.

    said     what is being done, or in words why it failed
    seconds  since it was asked for
    """

    state: Literal["working", "done", "failed"]
    document: T | None
    said: str
    seconds: float


@dataclass(eq=False)
class Job:
    """One call on its way. wanted: now, by somebody who waits, or ahead of being asked."""

    call: Call
    wanted: Wanted = "now"
    begun: float = field(default_factory=time.monotonic)
    said: str = ""
    running: Future[Any] | None = None
    answer: Future[Any] = field(default_factory=Future)

    def progress(self) -> Progress[Any]:
        """Return what there is of the answer."""
        seconds = round(time.monotonic() - self.begun, 1)
        if not self.answer.done():
            return {"state": "working", "document": None, "said": self.said, "seconds": seconds}
        if self.answer.cancelled():
            return {"state": "failed", "document": None, "said": CANCELLED, "seconds": seconds}
        problem = self.answer.exception()
        if problem is None:
            document = self.answer.result()
            return {"state": "done", "document": document, "said": "", "seconds": seconds}
        return {"state": "failed", "document": None, "said": in_words(problem), "seconds": seconds}


def in_words(problem: BaseException) -> str:
    """Return what a page says of a job that failed."""
    return str(problem) if isinstance(problem, UserError) else FAILED


class Lane:
    """Processes that answer calls, and the line before them.

    At most one process works ahead of being asked; it is stopped, and its job put back, where
    somebody waits and no other process is free.
    """

    def __init__(self, processes: int, *, newest_first: bool, stands_back: int) -> None:
        self._processes, self._newest_first = processes, newest_first
        self._stands_back = stands_back
        self._lock = threading.RLock()
        self._waiting: list[Job] = []
        self._working: list[Job] = []
        self._pool: ProcessPool | None = None

    def put(self, job: Job, *, instead_of_waiting: bool = False) -> Job:
        """Put a job into the line; instead_of_waiting: the last of a question alone stays."""
        with self._lock:
            if instead_of_waiting:
                same = job.call.store, job.call.question
                for other in [j for j in self._waiting if (j.call.store, j.call.question) == same]:
                    self.cancel(other)
            self._waiting.append(job)
            self._make_room()
            self._start()
        return job

    def hurry(self, job: Job) -> None:
        """Somebody waits for what was to be made ahead."""
        with self._lock:
            if job.wanted == "ahead":
                job.wanted = "now"
                self._make_room()
                self._start()

    def cancel(self, job: Job) -> None:
        """Take a job out of the line, or stop it at work; its answer is then a CancelledError."""
        with self._lock:
            if job in self._waiting:
                self._waiting.remove(job)
            elif job.running is not None:
                job.running.cancel()
        job.answer.cancel()

    def jobs(self) -> tuple[list[Job], list[Job]]:
        """Return the jobs at work, and those that wait."""
        with self._lock:
            return list(self._working), list(self._waiting)

    def _start(self) -> None:
        while len(self._working) < self._processes and (job := self._next()) is not None:
            self._waiting.remove(job)
            self._working.append(job)
            job.running = self._processes_at_hand().schedule(answer, args=[job.call])
            job.running.add_done_callback(partial(self._ended, job))

    def _next(self) -> Job | None:
        now = [job for job in self._waiting if job.wanted == "now"]
        if now:
            return now[-1 if self._newest_first else 0]
        ahead_at_work = any(job.wanted == "ahead" for job in self._working)
        return None if ahead_at_work or not self._waiting else self._waiting[0]

    def _make_room(self) -> None:
        """Stop what is made ahead where somebody would have to wait for it."""
        if len(self._working) < self._processes:
            return
        if any(job.wanted == "now" for job in self._waiting):
            for job in self._working:
                if job.wanted == "ahead" and job.running is not None:
                    job.running.cancel()  # `_ended` puts it back

    def _ended(self, job: Job, done: Future[Any]) -> None:
        with self._lock:
            self._working.remove(job)
            job.running = None
            stopped = done.cancelled()
            if stopped and job.wanted == "ahead" and not job.answer.cancelled():
                self._waiting.append(job)
            self._start()
        if stopped or job.answer.cancelled():
            return
        problem = done.exception()
        if problem is None:
            job.answer.set_result(done.result())
            return
        if not isinstance(problem, UserError):
            LOG.error("%s failed beside the pages", job.call.question, exc_info=problem)
        job.answer.set_exception(problem)

    def _processes_at_hand(self) -> ProcessPool:
        if self._pool is None:
            self._pool = ProcessPool(
                max_workers=self._processes,
                initializer=begin,
                initargs=[_heard(), self._stands_back],
                context=_spawning(),
            )
            atexit.register(self.stop)
        return self._pool

    def stop(self) -> None:
        """End the processes at once."""
        with self._lock:
            pool, self._pool = self._pool, None
        if pool is not None:
            pool.stop()  # type: ignore[no-untyped-call]
            pool.join(5)


LANES = {
    "model": Lane(1, newest_first=False, stands_back=2),
    "long": Lane(2, newest_first=True, stands_back=10),
    "records": Lane(1, newest_first=False, stands_back=10),
    "past": Lane(1, newest_first=True, stands_back=10),
}
"""By where a question is answered (`models.run.Question.place`).

What is asked of an earlier day has a lane of its own, whose process keeps that day's fit.
"""


@cache
def _spawning() -> Any:
    return multiprocessing.get_context("spawn")


@cache
def _heard() -> Queue[Heard]:
    """What the processes say, handed to the jobs by a thread of its own."""
    queue: Queue[Heard] = _spawning().Queue()

    def listen() -> None:
        while True:
            name, text = queue.get()
            for lane in LANES.values():
                for job in lane.jobs()[0]:
                    if job.call.job == name:
                        job.said = text

    threading.Thread(target=listen, daemon=True).start()
    return queue


def result(job: Job) -> Any:
    """Wait for a job; raise what it failed with, a UserError where it was cancelled."""
    try:
        return job.answer.result()
    except CancelledError:
        raise UserError(CANCELLED) from None
