"""Split something large into parts that workers keep, and ask all of them at once.

Who the workers are is nobody's business here: `ingest.readers.workers_at` gives those of a cluster.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

T = TypeVar("T")


class Workers(Protocol):
    """Workers who keep what they made, for as long as somebody here holds it.

    number: how many there are
    """

    number: int

    def keep(self, worker: int, work: Callable[..., object], /, *args: Any) -> object:
        """Have a worker make something and keep it; what is returned stands for it in arguments."""

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Begin to work; what is kept among the arguments says where."""


class Sliced(Protocol):
    """A sequence, an array or a frame with a row an item."""

    def __getitem__(self, rows: slice, /) -> Any:
        """Return some of the rows."""


@dataclass(frozen=True)
class Parts:
    """Something large in consecutive parts, each kept by a worker.

    rows: of the whole, by part
    """

    workers: Workers
    rows: Sequence[slice]
    kept: Sequence[object]

    def then(self, work: Callable[..., object], *args: Any, rows: Sequence[Sliced] = ()) -> "Parts":
        """Have `work(part, *args, …)` made of each part, and kept in its place.

        rows: further arguments, of which each part gets its own rows
        """
        kept = [
            self.workers.keep(k, work, part, *args, *(x[own] for x in rows))
            for k, (part, own) in enumerate(zip(self.kept, self.rows, strict=True))
        ]
        return Parts(self.workers, self.rows, kept)

    def each(self, work: Callable[..., T], *args: Any, rows: Sequence[Sliced] = ()) -> list[T]:
        """Return `work(part, *args, …)` of each part, in their order."""
        begun = [
            self.workers.submit(work, part, *args, *(x[own] for x in rows))
            for part, own in zip(self.kept, self.rows, strict=True)
        ]
        return [future.result() for future in begun]

    def beside(self, other: "Parts", work: Callable[..., object], *args: Any) -> "Parts":
        """Have `work(part, the other's part, *args)` made and kept."""
        kept = [
            self.workers.keep(k, work, *both, *args)
            for k, both in enumerate(zip(self.kept, other.kept, strict=True))
        ]
        return Parts(self.workers, self.rows, kept)


class Here:
    """Works at once, in this process, as if it were several."""

    def __init__(self, number: int = 1) -> None:
        self.number = number

    def keep(self, worker: int, work: Callable[..., object], /, *args: Any) -> object:
        """Make something and keep it."""
        return work(*args)

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Work, and return what came of it."""
        done: Future[T] = Future()
        done.set_result(fn(*args, **kwargs))
        return done
