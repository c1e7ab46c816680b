"""Workers that long work is handed to: on other machines, or in this process.

Whoever has work to share out takes an `Executor` and knows no more of it; work on data that are too
large to travel each time takes `Workers`, who keep what they made. dask.distributed serves both, an
optional extra (`slopewatch[cluster]`), which is imported nowhere else.
"""

from abc import abstractmethod
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, NewType, Protocol, TypeVar, cast

from ingest.schema import UserError

LOCAL = "local:"
T = TypeVar("T")
Kept = NewType("Kept", object)
"""What a worker has made and keeps; given to further work, it is what the worker has."""


class WorkersError(UserError, BrokenExecutor):
    """The workers are out of reach, or were lost with the work they had."""


class Workers(Executor):
    """Workers who keep what they made, for as long as somebody here holds it.

    number: how many there are. What a lost worker kept is made again by another, from the work and
    the arguments it was made with; so work changes nothing that it is given.
    """

    number: int

    @abstractmethod
    def keep(self, worker: int, work: Callable[..., object], /, *args: Any) -> Kept:
        """Have a worker (0 …) make something and keep it; arguments may be kept themselves."""


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
    kept: Sequence[Kept]

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


class Here(Workers):
    """Works at once, in this process, as if it were several."""

    def __init__(self, number: int = 1) -> None:
        self.number = number

    def keep(self, worker: int, work: Callable[..., object], /, *args: Any) -> Kept:
        """Make something and keep it."""
        return cast(Kept, work(*args))

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Work, and return what came of it."""
        done: Future[T] = Future()
        done.set_result(fn(*args, **kwargs))
        return done


@contextmanager
def workers_at(address: str) -> Iterator[Workers]:
    """Yield the workers at a scheduler's address, or N of this machine (`local:N`).

    WorkersError: nobody answers there, or the extra is not installed.
    """
    with _client(address) as client:
        yield _Cluster(client)


def _client(address: str) -> Any:
    """Return dask's client of a cluster.

    Nothing of a cluster that is begun here answers others: its pages are closed, and what the
    workers' own ports say is said to this machine alone.
    """
    try:
        from distributed import Client
    except ImportError:
        raise WorkersError(
            "--cluster needs dask.distributed: install it with pip install 'slopewatch[cluster]'"
        ) from None
    if not address.startswith(LOCAL):
        try:
            return Client(address, timeout="10s")
        except (OSError, ValueError) as problem:
            raise WorkersError(
                f'no scheduler answers at "{address}", expected an address such as '
                f"tcp://10.0.0.5:8786, or {LOCAL}4 for four workers here ({problem})"
            ) from None
    number = address.removeprefix(LOCAL)
    if not number.isdecimal() or int(number) < 1:
        raise WorkersError(f'found "{address}", expected a number of workers such as {LOCAL}4')
    return Client(
        n_workers=int(number),
        threads_per_worker=1,
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
        worker_dashboard_address="127.0.0.1:0",
    )


class _Cluster(Workers):
    """Hands work to a cluster; what a lost worker had goes to the others, three times at most."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._addresses = sorted(client.nthreads())
        self.number = max(len(self._addresses), 1)

    def keep(self, worker: int, work: Callable[..., object], /, *args: Any) -> Kept:
        """Have a worker make something and keep it; another, where it is lost."""
        address = self._addresses[worker % self.number]
        kept = self._client.submit(
            work, *args, pure=False, workers=[address], allow_other_workers=True
        )
        return cast(Kept, kept)

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Begin to work; the future raises WorkersError where each worker that tried was lost."""
        told: Future[T] = Future()
        begun = self._client.submit(fn, *args, **kwargs, pure=False)
        begun.add_done_callback(lambda ended: _tell(told, ended))
        return told


def _tell(told: Future[T], ended: Any) -> None:
    """Pass on what came of the work."""
    if ended.cancelled():
        told.set_exception(WorkersError("the cluster gave the work up: start it again"))
        return
    problem = ended.exception()
    if problem is None:
        told.set_result(ended.result())
    elif type(problem).__name__ in ("KilledWorker", "CommClosedError"):
        told.set_exception(
            WorkersError(f"the cluster's workers were lost: look at their memory ({problem})")
        )
    else:
        told.set_exception(problem)
