"""The lock of a store: many readers or one writer, across threads and processes.

Two lock files lie beside the store. A caller first locks the *turnstile*, then the *gate*, shared
(to read) or exclusive (to write), and releases the turnstile. A writer that waits for readers
keeps the turnstile, so that no new reader comes before it: nobody starves. The threads of one
process wait in a queue of their own before they try the files. Both locks end with the process
that holds them, however it ends.
"""

import sqlite3
import threading
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from errno import EACCES
from pathlib import Path

from filelock import FileLock, ReadWriteLock, Timeout


class GateTimeoutError(Exception):
    """The lock was not free within the time that the caller waits."""


class _Queue:
    """The queue in which the threads of one process wait, first come, first served.

    File locks can only be polled. A writer among a server's threads would seldom get one beside
    its readers, and would keep them out while it sleeps between two polls.
    """

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._waiting: deque[object] = deque()
        self._inside = 0
        self._alone = False

    @contextmanager
    def admitted(self, *, exclusive: bool, timeout_s: float) -> Iterator[None]:
        ticket = object()

        def turn() -> bool:
            first = self._waiting[0] is ticket
            return first and not self._alone and not (exclusive and self._inside)

        with self._changed:
            self._waiting.append(ticket)
            try:
                came = self._changed.wait_for(turn, timeout_s)
            finally:
                self._waiting.remove(ticket)
                self._changed.notify_all()
            if not came:
                raise GateTimeoutError("the other threads of this program kept the store")
            self._inside += 1
            self._alone = exclusive
        try:
            yield
        finally:
            with self._changed:
                self._inside -= 1
                self._alone = False
                self._changed.notify_all()


_queues: dict[Path, _Queue] = {}


class Gate:
    """The lock of the store at `path`; `timeout_s` is the longest wait for either lock file."""

    def __init__(self, path: Path, *, timeout_s: float = 120.0) -> None:
        self._store = path
        self._turnstile = path.with_name(path.name + ".turnstile")
        self._gate = path.with_name(path.name + ".gate")
        self._timeout_s = timeout_s
        self._queue = _queues.setdefault(path, _Queue())

    @contextmanager
    def shared(self) -> Iterator[None]:
        """Hold the lock beside other readers."""
        with self._entered(exclusive=False):
            yield

    @contextmanager
    def exclusive(self) -> Iterator[None]:
        """Hold the lock alone."""
        with self._entered(exclusive=True):
            yield

    @contextmanager
    def _entered(self, *, exclusive: bool) -> Iterator[None]:
        self._open_to_whom_the_store_is()
        gate = self._made()
        turnstile = FileLock(
            self._turnstile, timeout=self._timeout_s, poll_interval=0.01, is_singleton=False
        )
        with self._queue.admitted(exclusive=exclusive, timeout_s=self._timeout_s):
            try:
                with turnstile:
                    if exclusive:
                        gate.acquire_write()
                    else:
                        gate.acquire_read()
            except Timeout as wait:
                gate.close()
                raise GateTimeoutError(str(wait)) from wait
            except sqlite3.Error as error:
                gate.close()
                raise PermissionError(EACCES, str(error), str(self._gate)) from error
            try:
                yield
            finally:
                gate.release()
                gate.close()

    def _made(self) -> ReadWriteLock:
        """Return a fresh lock: it belongs to this entry, not to a thread."""
        try:
            return ReadWriteLock(str(self._gate), timeout=self._timeout_s, is_singleton=False)
        except sqlite3.Error as error:
            raise PermissionError(EACCES, str(error), str(self._gate)) from error

    def _open_to_whom_the_store_is(self) -> None:
        """Make the lock files, for the store's owner, and for its group where the store is."""
        mode = self._store.stat().st_mode & 0o660 if self._store.exists() else 0o600
        for file in (self._turnstile, self._gate):
            if not file.exists() or file.stat().st_mode & 0o777 != mode:
                file.touch(mode=0o600)
                with suppress(PermissionError):  # it is somebody else's, who did the same
                    file.chmod(mode)
