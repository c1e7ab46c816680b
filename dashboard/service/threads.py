"""What a process calculates with: its threads, and workers elsewhere."""

import os
from concurrent.futures import Executor
from contextlib import AbstractContextManager


def calculate_with_one_thread() -> None:
    """Have linear algebra done by one thread, here and in processes to come.

    Before numpy is imported; what the environment says already stays. A fit's matrices are small:
    with two threads it takes twice the processor time and ends no sooner.
    """
    for library in ("OMP", "OPENBLAS", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")


def helped_by(address: str) -> AbstractContextManager[Executor]:
    """Return the workers at an address while they are needed; a UserError where there are none."""
    from ingest.readers import workers_at

    return workers_at(address)
