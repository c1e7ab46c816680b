"""Which fit the fleet model's answers come from: the newest whose fleet is in memory.

A new fit's fleet takes seconds to put together. It is put together in a lane of its own, while the
lane before goes on answering from the fit before; then the two change places.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable
from concurrent.futures import Future, wait
from typing import NamedTuple

from dashboard.service.jobs import LANES, Job, Lane


class State(NamedTuple):
    """A state of the store: which fit it holds, and what else answers rest on."""

    fit: str
    beside: Hashable


class Ready:
    """Where today's answers of the fleet model come from."""

    def __init__(self) -> None:
        self._lanes = "model", "model next"
        self._lock = threading.Lock()
        self._state: State | None = None
        self._coming: Future[object] | None = None

    @property
    def lane(self) -> Lane:
        """Return the lane that answers."""
        return LANES[self._lanes[0]]

    @property
    def is_waiting(self) -> bool:
        """Return whether a new fit's fleet is being put together."""
        return self._coming is not None

    def wait(self, timeout_s: float) -> None:
        """Wait until the newest fit's fleet is there, or the time is over."""
        coming = self._coming
        if coming is not None:
            wait([coming], timeout_s)

    def state(
        self, newest: State, gather: Callable[[State], Job], then: Callable[[], None]
    ) -> State:
        """Return the state to answer from; begin to put the newest fit's fleet together.

        What changes beside the fit counts at once.

        gather  makes the job that puts a state's fleet together
        then    is called once the newest state answers
        """
        with self._lock:
            if self._state is None or self._state.fit == newest.fit:
                self._state = newest
            if self._state == newest or self._coming is not None:
                return self._state
            answers, job = self._state, gather(newest)
            self._coming = job.answer
        job.answer.add_done_callback(lambda _done: self._change_places(newest, then))
        LANES[self._lanes[1]].put(job)
        return answers

    def _change_places(self, newest: State, then: Callable[[], None]) -> None:
        with self._lock:
            self._state, self._coming = newest, None
            self._lanes = self._lanes[1], self._lanes[0]
        then()
