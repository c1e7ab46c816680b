"""Lanes of a test's own, and waiting for what they do."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

import pytest

from dashboard.service import Service
from dashboard.service.jobs import LANES, Job, Lane

T = TypeVar("T")
PREPARE = Service.prepare  # which no other test's changes are followed by


@contextmanager
def own_lanes() -> Iterator[None]:
    """Lanes like the dashboard's, with processes of their own, which stand back for nobody."""
    with pytest.MonkeyPatch.context() as patch:
        for name, lane in list(LANES.items()):
            own = Lane(
                lane._processes,
                newest_first=lane._newest_first,
                stands_back=0,
                gives_way=lane._gives_way,
            )
            patch.setitem(LANES, name, own)
        yield
        for lane in LANES.values():
            lane.stop()


def all_jobs(lane: Lane) -> list[Job]:
    """The jobs at work, then those that wait."""
    working, waiting = lane.jobs()
    return [*working, *waiting]


def until(true: Callable[[], T], seconds: float = 60.0) -> T:
    """Wait for something to become true; what it is then."""
    latest = time.monotonic() + seconds
    while not (found := true()):
        assert time.monotonic() < latest, "never came true"
        time.sleep(0.01)
    return found
