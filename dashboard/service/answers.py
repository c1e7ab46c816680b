"""Answers made once and kept: whoever asks for one that is being made waits for it alone."""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

from cachetools import LRUCache, cached

T = TypeVar("T")


class Answers:
    """Answers by key; beyond `size` of them the one that was asked for longest ago goes."""

    def __init__(self, size: int) -> None:
        self._kept: LRUCache[Hashable, Any] = LRUCache(size)
        self._changed = threading.Condition()
        self._get = cached(self._kept, key=lambda key, _make: key, condition=self._changed)(
            lambda _key, make: make()
        )

    def get(
        self, key: Hashable, make: Callable[[], T], *, still: Callable[[], bool] = lambda: True
    ) -> T:
        """Return the kept answer, making it on first request; a failure is not kept.

        still: whether what it was made from is as the key says once it is made; else it goes
        """
        made: list[T] = []

        def first() -> T:
            made.append(make())
            return made[0]

        answer: T = self._get(key, first)
        if made and not still():
            with self._changed:
                self._kept.pop(key, None)
        return answer

    def at_once(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return the kept answer, or make it without waiting for whoever is making it too."""
        found = self.known(key)
        if found is None:
            found = make()
            self.put(key, found)
        answer: T = found
        return answer

    def known(self, key: Hashable) -> Any | None:
        """Return the kept answer; None where there is none."""
        with self._changed:
            return self._kept.get(key)

    def put(self, key: Hashable, answer: object) -> None:
        """Keep an answer that was made elsewhere."""
        with self._changed:
            self._kept[key] = answer

    def clear(self) -> None:
        """Forget every answer."""
        with self._changed:
            self._kept.clear()
