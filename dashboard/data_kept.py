"""What every part of the pages' door shares: the store, and answers kept until its data change."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any, Generic, TypeVar

from ingest.store import Store

T = TypeVar("T")


class Remembered(Generic[T]):
    """One thing read from a store, read again only once the file has changed."""

    def __init__(self, store: Store, read: Callable[[], T]) -> None:
        self._store, self._read = store, read
        self._known: tuple[tuple[int, ...], T] | None = None

    def __call__(self) -> T:
        stamp, known = self._store.stamp(), self._known
        if stamp is not None and known is not None and known[0] == stamp:
            return known[1]
        found = self._read()
        self._known = (stamp, found) if stamp is not None else None
        return found


class Kept:
    """Documents made from a store, kept until its data change."""

    KEPT = 256

    def __init__(self, store: Path) -> None:
        self._store = Store(store)
        self._lock = threading.RLock()
        self._documents: OrderedDict[tuple[object, ...], Any] = OrderedDict()

    def _version(self) -> tuple[object, ...]:
        if not self._store.exists():
            return ("no store",)
        from models import run

        return (*run.version(self._store), date.today())

    def _kept(self, make: Callable[[], Any], *key: object) -> Any:
        full = (*self._version(), *key)
        with self._lock:
            if full in self._documents:
                self._documents.move_to_end(full)
                return self._documents[full]
            made = make()
            self._documents[full] = made
            while len(self._documents) > self.KEPT:
                self._documents.popitem(last=False)
            return made
