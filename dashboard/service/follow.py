"""The fleet's answers follow what was entered, beside the request that entered it."""

from __future__ import annotations

import logging
import threading
from pathlib import Path

from ingest.store import Store

LOG = logging.getLogger("slopewatch.dashboard")


class Follower:
    """Brings a store's answers up to its data, one run at a time, however often it is asked."""

    def __init__(self, store: Path) -> None:
        self._store = store
        self._lock = threading.Lock()
        self._asked = False
        self._running: threading.Thread | None = None

    def ask(self) -> None:
        """Follow once more; a run under way is followed by another."""
        with self._lock:
            self._asked = True
            if self._running is None:
                self._running = threading.Thread(target=self._run, daemon=True)
                self._running.start()

    def _run(self) -> None:
        while self._next():
            try:
                from models import run

                run.follow(Store(self._store))
            except Exception:
                LOG.exception("the answers could not follow an entry; the next fit takes it in")

    def _next(self) -> bool:
        with self._lock:
            asked, self._asked = self._asked, False
            if not asked:
                self._running = None
            return asked

    @property
    def busy(self) -> bool:
        """Whether a run is under way or asked for."""
        return self._running is not None

    def settled(self, timeout_s: float = 120.0) -> bool:
        """Wait until nothing is left to follow; False: not in time."""
        running = self._running
        if running is not None:
            running.join(timeout_s)
        return self._running is None
