"""What a fit on a cluster moves and gains, and what the loss of a worker does to it.

    python -m tests.benchmarks.fleet.cluster [METERS [WORKERS …]]

Run by hand; needs the extra `cluster`. A fit on this machine alone, then on 1, 2, 4 and 8 local
workers, then on two of which one is killed half-way: seconds, share of the time in which workers
are waited for (the map step), kilobytes that an iteration moves, how many times something was asked
of all workers, and the largest difference to the fit on this machine. More workers than processors
show what oversubscription does, no gain.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

import numpy as np

from ingest.readers import Workers, workers_at
from models.fleet import FleetData, FleetFit, fit
from tests.benchmarks.fleet.speed import FRAMES
from tests.benchmarks.page import fleet_of

T = TypeVar("T")


class Watched(Workers):
    """Workers whose work is counted; one of them can be killed on the way."""

    def __init__(self, workers: Workers, kill_at: int = 0) -> None:
        self.inner, self.number, self.kill_at = workers, workers.number, kill_at
        self.moved, self.asked, self.waited = 0, 0, 0.0

    def _weigh(self, things: Any) -> None:
        kept = type(things).__name__ == "Future"
        self.moved += 0 if kept else len(pickle.dumps(things, protocol=5))

    def keep(self, worker: int, work: Callable[..., object], /, *args: Any) -> object:
        """Have a worker make something and keep it."""
        for thing in args:
            self._weigh(thing)
        return self.inner.keep(worker, work, *args)

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Begin to work, and count."""
        self.asked += 1
        if self.asked == self.kill_at:
            os.kill(self.inner.submit(os.getpid).result(), signal.SIGKILL)
        for thing in args:
            self._weigh(thing)
        return _Waited(self, self.inner.submit(fn, *args, **kwargs))  # type: ignore[return-value]


class _Waited:
    """A future that counts how long it is waited for, and what it brings."""

    def __init__(self, counts: Watched, future: Future[Any]) -> None:
        self.counts, self.future = counts, future

    def result(self) -> Any:
        """Wait for the result."""
        start = time.monotonic()
        found = self.future.result()
        self.counts.waited += time.monotonic() - start
        self.counts._weigh(found)
        return found


def farthest(found: FleetFit, whole: FleetFit) -> float:
    """The largest difference in hyperparameters, shared effects and weights."""
    state, other = found.posterior.state, whole.posterior.state
    pairs = (
        (found.hyper.values, whole.hyper.values),
        (state.mean, other.mean),
        (found.weights["weight"].to_numpy(), whole.weights["weight"].to_numpy()),
    )
    return max(float(np.max(np.abs(a - b))) for a, b in pairs)


def main(meters: int = 1000, *numbers: int) -> None:
    """Fit, and print a row a number of workers."""
    fleet = fleet_of(meters)
    data = FleetData(**{name: fleet.frames[name] for name in FRAMES})
    start, cpu = time.monotonic(), time.process_time()
    whole = fit(data, today=fleet.today)
    print(f"here: {time.monotonic() - start:.1f} s, {time.process_time() - cpu:.1f} s of CPU")
    for number, kill_at in [(n, 0) for n in numbers or (1, 2, 4, 8)] + [(2, 60)]:
        with workers_at(f"local:{number}") as workers:
            watched = Watched(workers, kill_at)
            start, cpu = time.monotonic(), time.process_time()
            found = fit(data, today=fleet.today, workers=watched)
            seconds, own = time.monotonic() - start, time.process_time() - cpu
        same = "same" if found.effects == whole.effects else "DIFFER"
        what = f"{number} workers" + (", one killed" if kill_at else "")
        print(
            f"{what}: {seconds:.1f} s ({own:.1f} s of CPU here), {watched.waited / seconds:.0%} in "
            f"the map step, {watched.moved / 1e3 / found.n_iter:,.0f} kB an iteration of "
            f"{found.n_iter}, {watched.asked / number:.0f} questions to all, off by "
            f"{farthest(found, whole):.1e}, effects {same}",
            flush=True,
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
