"""Workers that long work is handed to: on other machines, or in this process.

Whoever has work to share out takes an `Executor` and knows no more of it; work on data that are too
large to travel each time takes `Workers`, who keep what they made. dask.distributed serves both, an
optional extra (`slopewatch[cluster]`), which is imported nowhere else.
"""

import logging
from abc import abstractmethod
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import contextmanager
from typing import Any, TypeVar

from ingest.schema import UserError

LOCAL = "local:"
T = TypeVar("T")


class WorkersError(UserError, BrokenExecutor):
    """The workers are out of reach, or were lost with the work they had."""


class Workers(Executor):
    """Workers who keep what they made, for as long as somebody here holds it.

    number: how many there are. What a lost worker kept is made again by another, from the work and
    the arguments it was made with; so work changes nothing that it is given.
    """

    number: int

    @abstractmethod
    def keep(self, worker: int, work: Callable[..., object], /, *args: Any) -> object:
        """Have a worker (0 …) make something and keep it.

        What is returned stands for it, as an argument of further work.
        """


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
        silence_logs=logging.CRITICAL,  # what it says of workers that end is for its makers
    )


class _Cluster(Workers):
    """Hands work to a cluster; what a lost worker had goes to the others, three times at most."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._addresses = sorted(client.nthreads())
        self.number = max(len(self._addresses), 1)

    def keep(self, worker: int, work: Callable[..., object], /, *args: Any) -> object:
        """Have a worker make something and keep it; another, where it is lost."""
        address = self._addresses[worker % self.number]
        kept: object = self._client.submit(
            work, *args, pure=False, workers=[address], allow_other_workers=True
        )
        return kept

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
