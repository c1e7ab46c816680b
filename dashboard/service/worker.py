"""What happens in a process beside the pages: one question after the other, on a kept fleet."""

from __future__ import annotations

import os
import pickle
import signal
from collections.abc import Callable, Hashable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from multiprocessing.queues import Queue
from pathlib import Path
from typing import Any

from cachetools import LRUCache

from ingest.readers import ends_with_its_parent

Heard = tuple[str, str]  # the job's name, and what it says
KEPT_FLEETS = 4  # of today, of an earlier day, and of entries that came in since


@dataclass(frozen=True)
class Call:
    """A question to be answered elsewhere.

    question  its name in `models.run`
    version   tells the states of the store apart: a fleet is kept as long as it stays
    """

    job: str
    store: Path
    question: str
    as_of: date | None
    version: Hashable
    person: Any
    args: tuple[Any, ...] = ()
    kwargs: dict[str, Any] = field(default_factory=dict)


_FLEETS: LRUCache[Hashable, Any] = LRUCache(KEPT_FLEETS)
_SAID: list[Queue[Heard]] = []


def begin(said: Queue[Heard], stands_back: int) -> None:
    """Set up a process that answers: it ends with its parent, and lets the pages go first."""
    _SAID[:] = [said]
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the server ends its processes itself
    ends_with_its_parent()
    if hasattr(os, "nice"):
        with suppress(OSError):
            os.nice(stands_back)


def answer(call: Call) -> Any:
    """Answer a call with plain values; what takes long is told on the way."""
    try:
        return _answered(call)
    except Exception as problem:
        raise _carried(problem) from problem


def _answered(call: Call) -> Any:
    from dashboard.service.printing import plain
    from ingest.store import acting
    from models import run

    question: Callable[..., Any] = getattr(run, call.question)
    fleet = _fleet(call).asked_by(call.person, lambda text: _say(call.job, text))
    with acting(call.person.name):
        return plain(question(fleet, *call.args, **call.kwargs))


def _carried(problem: Exception) -> Exception:
    """Return a failure that survives the way to another process: the same, or what it says."""
    try:
        pickle.loads(pickle.dumps(problem))
    except Exception:
        return RuntimeError(f"{type(problem).__name__}: {problem}")
    return problem


def _fleet(call: Call) -> Any:
    from ingest.store import Store
    from models.run import Fleet

    key = (call.store, call.as_of, call.version)
    if key not in _FLEETS:
        _FLEETS[key] = Fleet(Store(call.store, aside=True), call.as_of)
    return _FLEETS[key]


def _say(job: str, text: str) -> None:
    for queue in _SAID:
        queue.put((job, text))
