"""What was read of a store, kept until one of the tables that it rests on is written to."""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TypeVar, cast

import polars as pl
from cachetools import LRUCache

T = TypeVar("T")
Stamp = tuple[int | bytes, ...]
EVERY_TABLE = "*"
KEPT_BYTES = 96_000_000
LARGEST_BYTES = 24_000_000
FEW_ROWS = 50_000  # of a table that is read whole where a part is asked for, to be kept
TOO_LARGE = object()


class Kept:
    """Frames, and what was worked out from them, by what they are; `state`: the store's newest.

    state   what a mark of the file (`Store.stamp`) was seen to stand for: the store's `meta`
    before  that mark, while a thread of this process changes the store that it stood for
    again   reads, while the store is still open for a change, what will be asked for next
    """

    def __init__(self) -> None:
        self.state: tuple[Stamp, Mapping[str, str]] | None = None
        self.before: Stamp | None = None
        self.again: list[Callable[[], object]] = []
        self._held: LRUCache[Hashable, tuple[Hashable, object]] = LRUCache(KEPT_BYTES, _bytes)
        self._lock = threading.Lock()

    @contextmanager
    def changing(self, stamp: Stamp | None) -> Iterator[None]:
        """Let others see the store as it was, while one changes it whose file has this mark."""
        if self.state is not None and self.state[0] == stamp:
            self.before = stamp
        try:
            yield
        finally:
            self.before = None

    def known(self, what: Hashable, marks: Hashable) -> tuple[object] | None:
        """Return what was kept of tables that still have these marks, alone in a tuple."""
        with self._lock:
            found = self._held.get(what)
        return (found[1],) if found is not None and found[0] == marks else None

    def get(self, what: Hashable, marks: Hashable, make: Callable[[], T]) -> T:
        """Return what was kept of tables that still have these marks, else make it."""
        found = self.known(what, marks)
        if found is not None:
            return cast(T, found[0])
        made = make()
        with self._lock:
            self._held.pop(what, None)
            fits = _bytes((marks, made)) <= LARGEST_BYTES
            self._held[what] = (marks, made) if fits else (TOO_LARGE, None)
        return made

    def is_too_large(self, what: Hashable) -> bool:
        """Return whether something was made before and is larger than what is kept."""
        with self._lock:
            return self._held.get(what, (None, None))[0] is TOO_LARGE


def marks_of(marks: Mapping[str, str], tables: Sequence[str]) -> Hashable:
    """Return what differs once one of the tables was written to. marks: `Database.marks`."""
    return tuple(marks.get(name) for name in (EVERY_TABLE, *tables))


def _bytes(held: tuple[Hashable, object]) -> int:
    frame = held[1]
    return 1000 + (int(frame.estimated_size()) if isinstance(frame, pl.DataFrame) else 0)
