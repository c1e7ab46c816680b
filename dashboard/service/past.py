"""The fleet as it was known on an earlier day: a fit of its own, made beside the pages."""

from __future__ import annotations

from typing import Any

from dashboard.service.later import Document, Later, Say


class PastDoor(Later):
    """Whether a page can look from a day yet."""

    def looked_from(self, as_of: str) -> Document:
        """How far the fit of a past day is, as `_later` tells it; the first to ask begins it."""
        return self._later(lambda say: self._look_from(as_of, say), "looked from", as_of)

    def _look_from(self, as_of: str, say: Say) -> Document:
        from models import run

        door: Any = self
        if self._store.exists() and not run.is_empty(self._store):
            self._ready(as_of, say)
            say("putting the fleet of that day together")
        door.status(as_of)
        return {"as_of": as_of}
