"""Reading in a process of its own, which may take so much memory and time and no more.

Files of others' making can ask a decoder for more memory than there is, crash it or keep it busy
for ever. Here that costs the file alone. The limits on memory and on the processor's time are the
system's (`resource`). Windows has none and macOS does not hold to that on memory: there the process
itself protects, and the time on the clock.
"""

import atexit
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from concurrent.futures import TimeoutError as LateError
from contextlib import contextmanager, suppress
from multiprocessing import parent_process
from multiprocessing.connection import wait
from typing import TypeVar

from pebble import ProcessExpired, ProcessPool

from ingest.readers.recordings import RecordingError
from ingest.readers.tables import UnreadableError

LONGEST_S = 10  # of the processor's time
MANY_S = 60  # for some fifty files; where they take longer each is read alone
WAITS = 6  # times as long on the clock, since the processor may have other work
MOST_MEMORY = 1 << 30
SMALL = 2_000_000
"""Text of so few bytes is read at once: the time and the memory that it takes are linear in it."""
TOO_LONG = f"it takes longer than {LONGEST_S} s to read"
TOO_LARGE = "it takes more than 1 GB of memory to read, or ends its reader"
_PACKED = (b"PK\x03\x04", b"PAR1")
T = TypeVar("T")
_LOCK = threading.Lock()
_KEPT: list["Apart"] = []


class LostError(Exception):
    """The process that read a file was ended; the text says what the file asked for."""


class Apart:
    """Processes that read what others made, each within the limits; one that dies is replaced."""

    def __init__(self, processes: int, *, longest_s: int) -> None:
        self._longest_s = longest_s
        self._pool = ProcessPool(
            max_workers=processes,
            initializer=_begin,
            initargs=[MOST_MEMORY],
            context=multiprocessing.get_context("spawn"),
        )
        atexit.register(self.stop)

    def submit(self, read: Callable[..., T], /, *args: object) -> Future[T]:
        """Begin to read; `outcome` tells what came of it."""
        task, latest_s = [self._longest_s, read, *args], WAITS * self._longest_s
        begun: Future[T] = self._pool.schedule(_within, args=task, timeout=latest_s)
        return begun

    @property
    def at_work(self) -> bool:
        """Whether it takes files; it does not once its processes could not be replaced."""
        return bool(self._pool.active)

    def stop(self) -> None:
        """End the processes."""
        atexit.unregister(self.stop)
        self._pool.stop()  # type: ignore[no-untyped-call]
        self._pool.join()


def outcome(reading: Future[T]) -> T:
    """Wait for what a process reads; LostError where it had to be ended or ended itself."""
    try:
        return reading.result()
    except LateError:
        raise LostError(TOO_LONG) from None
    except ProcessExpired as ended:
        late = hasattr(signal, "SIGXCPU") and ended.exitcode == -signal.SIGXCPU
        raise LostError(TOO_LONG if late else TOO_LARGE) from None
    except MemoryError:
        raise LostError(TOO_LARGE) from None


@contextmanager
def several() -> Iterator[Apart]:
    """Yield as many processes as there are processors, for many files a call; then end them."""
    many = Apart(os.cpu_count() or 1, longest_s=MANY_S)
    try:
        yield many
    finally:
        many.stop()


def one() -> Apart:
    """Return the process that single files are read in; it stays for the next ones."""
    with _LOCK:
        if not _KEPT or not _KEPT[0].at_work:
            _KEPT[:] = [Apart(1, longest_s=LONGEST_S)]
        return _KEPT[0]


def read_apart(read: Callable[[str, bytes], T], file: str, data: bytes) -> T:
    """Return what `read` makes of a table file; UnreadableError where it asks for too much."""
    if len(data) <= SMALL and not data.startswith(_PACKED):
        return read(file, data)
    try:
        return outcome(one().submit(read, file, data))
    except LostError as lost:
        raise UnreadableError(
            found=f"a file that asks for too much: {lost}",
            expected="a table that is read in a moment",
            fix="delete what lies outside of the table (one cell far below it or far to its right "
            "is enough), or split the file, and load it again",
        ) from None


def recording_apart(read: Callable[..., T], *args: object, name: str) -> T:
    """Return what `read` makes of a recording; RecordingError where it asks for too much."""
    try:
        return outcome(one().submit(read, *args))
    except LostError as lost:
        raise RecordingError(f"{name}: asks for too much: {lost}. Export it again.") from None


def _begin(memory: int) -> None:
    """Set up a process that reads: it ends with its parent, keeps to its memory, is silent."""
    ends_with_its_parent()
    if not os.environ.get("SLOPEWATCH_DEBUG"):  # what a decoder says when it breaks off
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    with suppress(ImportError, ValueError, OSError):  # Windows has no such limits
        import resource

        resource.setrlimit(resource.RLIMIT_DATA, (memory, memory))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _within(longest_s: int, read: Callable[..., T], *args: object) -> T:
    """Read within so much of the processor's time: the system ends the process after that."""
    with suppress(ImportError, ValueError, OSError):
        import resource

        latest = int(time.process_time()) + 1 + longest_s
        resource.setrlimit(resource.RLIMIT_CPU, (latest, resource.RLIM_INFINITY))
    return read(*args)


def ends_with_its_parent() -> None:
    """Let this process end as soon as the one that started it has, however that ended."""
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)
