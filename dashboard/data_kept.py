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


class _Slot:
    """The place of one document: made once, while others wait for it and nobody else does."""

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self.made = False
        self.document: Any = None


class Kept:
    """Documents made from a store, kept until its data change."""

    KEPT = 256

    def __init__(self, store: Path) -> None:
        self._store = Store(store)
        self._lock = threading.Lock()
        self._data_version = Remembered(self._store, self._read_version)
        self._slots: OrderedDict[tuple[object, ...], _Slot] = OrderedDict()

    def _version(self) -> tuple[object, ...]:
        if not self._store.exists():
            return ("no store",)
        return (*self._data_version(), date.today())

    def _read_version(self) -> tuple[object, ...]:
        from models import run

        return run.version(self._store)

    def _kept(self, make: Callable[[], Any], *key: object) -> Any:
        slot = self._slot((*self._version(), *key))
        with slot.lock:
            if not slot.made:
                slot.document = make()
                slot.made = True
            return slot.document

    def _slot(self, full: tuple[object, ...]) -> _Slot:
        with self._lock:
            slot = self._slots.setdefault(full, _Slot())
            self._slots.move_to_end(full)
            while len(self._slots) > self.KEPT:
                self._slots.popitem(last=False)
            return slot
