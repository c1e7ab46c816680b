"""What every part of the pages' door shares: the store, and answers kept until its data change."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from ingest.store import Store


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
