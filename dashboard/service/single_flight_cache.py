"""Answers made once and kept: whoever asks for one that is being made waits for it."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any


class _Slot:
    """The place of one answer: while it is made, others wait for it and for nothing else."""

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self.made = False
        self.answer: Any = None


class Slots:
    """Answers by key; beyond `size` of them the one that was asked for longest ago goes."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._lock = threading.Lock()
        self._slots: OrderedDict[Hashable, _Slot] = OrderedDict()

    def get(self, key: Hashable, make: Callable[[], Any]) -> Any:
        """What `make` answers, made once for each key; a failure is not kept."""
        slot = self._slot(key)
        with slot.lock:
            if not slot.made:
                slot.answer = make()
                slot.made = True
            return slot.answer

    def clear(self) -> None:
        """Forget every answer."""
        with self._lock:
            self._slots.clear()

    def _slot(self, key: Hashable) -> _Slot:
        with self._lock:
            slot = self._slots.setdefault(key, _Slot())
            self._slots.move_to_end(key)
            while len(self._slots) > self._size:
                self._slots.popitem(last=False)
            return slot
