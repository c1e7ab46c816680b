"""Work beside the pages: processes of their own that answer what takes long.

A lane is one or two processes and the line of jobs before them. A fit, a plan or a simulation never
runs in the process that serves the pages. A job goes on when the page that asked is closed, tells
what it is doing, can be cancelled, and ends with the server.
"""

from __future__ import annotations

import atexit
import logging
import multiprocessing
import os
import threading
import time
from collections.abc import Collection
from concurrent.futures import CancelledError, Future
from dataclasses import dataclass, field
from functools import cache, partial
from multiprocessing.queues import Queue
from typing import Any, Generic, Literal, TypedDict, TypeVar

from pebble import ProcessPool

from dashboard.service.threads import calculate_with_one_thread
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

    At most one process works ahead of being asked. Where `gives_way`, it is stopped, and its job
    put back, as soon as somebody waits and no other process is free: worth it where what is made
    ahead takes longer than to start a process.
    """

    def __init__(
        self, processes: int, *, newest_first: bool, stands_back: int, gives_way: bool = False
    ) -> None:
        self._processes, self._newest_first = processes, newest_first
        self._stands_back, self._gives_way = stands_back, gives_way
        self._lock = threading.Lock()
        self._waiting: list[Job] = []
        self._working: list[Job] = []
        self._pool: ProcessPool | None = None

    def put(self, job: Job) -> Job:
        """Put a job into the line."""
        with self._lock:
            self._waiting.append(job)
        self._go_on()
        return job

    def join(self, job: Job, questions: Collection[str]) -> Job:
        """Put a job into the line where none of these questions about its store waits.

        Else the waiting one goes to the end of the line, and does what the new one would have done;
        return the one that does it.
        """
        with self._lock:
            waits = [
                other
                for other in self._waiting
                if other.call.store == job.call.store and other.call.question in questions
            ]
            for standing in waits:
                standing.call, job = job.call, standing
                self._waiting.remove(standing)
            self._waiting.append(job)
        self._go_on()
        return job

    def hurry(self, job: Job) -> None:
        """Somebody waits for what was to be made ahead."""
        with self._lock:
            if job.wanted == "now":
                return
            job.wanted, job.begun = "now", time.monotonic()
        self._go_on()

    def cancel(self, job: Job) -> None:
        """Take a job out of the line, or stop it at work; its answer is then a CancelledError."""
        with self._lock:
            if job in self._waiting:
                self._waiting.remove(job)
            running = job.running
        job.answer.cancel()
        if running is not None:
            running.cancel()

    def jobs(self) -> tuple[list[Job], list[Job]]:
        """Return the jobs at work, and those that wait."""
        with self._lock:
            return list(self._working), list(self._waiting)

    def _go_on(self) -> None:
        """Start what can be started, and stop what is in its way.

        Futures tell their listeners in the thread that cancels them or listens too late, so that is
        done without the lock.
        """
        with self._lock:
            started, stopped = self._start(), self._in_the_way()
        for job, running in started:
            running.add_done_callback(partial(self._ended, job))
        for running in stopped:
            running.cancel()  # `_ended` puts its job back

    def _start(self) -> list[tuple[Job, Future[Any]]]:
        started: list[tuple[Job, Future[Any]]] = []
        while len(self._working) < self._processes and (job := self._next()) is not None:
            self._waiting.remove(job)
            self._working.append(job)
            job.running = self._processes_at_hand().schedule(answer, args=[job.call])
            started.append((job, job.running))
        return started

    def _next(self) -> Job | None:
        now = [job for job in self._waiting if job.wanted == "now"]
        if now:
            return now[-1 if self._newest_first else 0]
        ahead_at_work = any(job.wanted == "ahead" for job in self._working)
        return None if ahead_at_work or not self._waiting else self._waiting[0]

    def _in_the_way(self) -> list[Future[Any]]:
        """Return what is made ahead at the cost of somebody who waits."""
        if not self._gives_way or not any(job.wanted == "now" for job in self._waiting):
            return []
        return [job.running for job in self._working if job.wanted == "ahead" and job.running]

    def _ended(self, job: Job, done: Future[Any]) -> None:
        """Hand out the answer, then go on; until then the job counts as being at work."""
        gave_way = done.cancelled() and not job.answer.cancelled()
        if not gave_way:
            _settle(job, done)
        with self._lock:
            job.running = None
            if job in self._working:
                self._working.remove(job)
                if gave_way and not job.answer.cancelled():
                    self._waiting.append(job)
        self._go_on()

    def _processes_at_hand(self) -> ProcessPool:
        pool = self._pool
        if pool is None or not pool.active:
            if pool is not None:  # a process of its died while it had nothing to do
                threading.Thread(target=_end, args=(pool,), daemon=True).start()
            pool = self._pool = ProcessPool(
                max_workers=self._processes,
                initializer=begin,
                initargs=[_heard(), self._stands_back],
                context=_beginning(),
            )
            atexit.register(self.stop)
        return pool

    def stop(self) -> None:
        """End the processes at once; whoever waits is told that it was stopped."""
        with self._lock:
            pool, self._pool = self._pool, None
            jobs = [*self._working, *self._waiting]
            self._working, self._waiting = [], []
        for job in jobs:
            job.answer.cancel()
        if pool is not None:
            _end(pool)


def _end(pool: ProcessPool) -> None:
    pool.stop()  # type: ignore[no-untyped-call]
    pool.join()


def _settle(job: Job, done: Future[Any]) -> None:
    """Give a job its answer or its failure, unless it was cancelled."""
    if not job.answer.set_running_or_notify_cancel():
        return
    problem = done.exception()
    if problem is None:
        job.answer.set_result(done.result())
        return
    if not isinstance(problem, UserError):
        LOG.error("%s failed beside the pages", job.call.question, exc_info=problem)
    job.answer.set_exception(problem)


LANES = {
    "model": Lane(1, newest_first=False, stands_back=10),
    "model next": Lane(1, newest_first=False, stands_back=10),
    "long": Lane(2, newest_first=True, stands_back=19, gives_way=True),
    "records": Lane(1, newest_first=False, stands_back=15),
    "past": Lane(1, newest_first=True, stands_back=10),
}
"""By where a question is answered (`models.run.Question.place`).

"model" and "model next" take turns: one answers while the other puts a new fit's fleet together
(see `ready.py`). What is asked of an earlier day has a lane of its own, whose process keeps that
day's fit.
"""


READ_BEFORE = ("scipy.linalg", "scipy.optimize", "scipy.sparse.linalg", "scipy.stats", "duckdb")
"""What processes beside the pages read first of all; polars not, since it starts threads."""


@cache
def _beginning() -> Any:
    """Return how processes beside the pages begin: each has one thread to calculate with.

    Where the system can they are copies of one that has read most libraries, which takes about half
    the time.
    """
    calculate_with_one_thread()
    os.environ.setdefault("POLARS_MAX_THREADS", "1")
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(READ_BEFORE))
    return context


@cache
def _heard() -> Queue[Heard]:
    """What the processes say, handed to the jobs by a thread of its own."""
    queue: Queue[Heard] = _beginning().Queue()

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
