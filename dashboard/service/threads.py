"""What a process calculates with: its threads, and workers elsewhere."""

from __future__ import annotations

import os
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ingest.readers import Workers


def calculate_with_one_thread() -> None:
    """Have linear algebra done by one thread, here and in processes to come.

    Before numpy is imported; what the environment says already stays. A fit's matrices are small:
    with two threads it takes twice the processor time and ends no sooner.
    """
    for library in ("OMP", "OPENBLAS", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")


def helped_by(address: str) -> AbstractContextManager[Workers]:
    """Return the workers at an address while they are needed; a UserError where there are none."""
    from ingest.readers import workers_at

    return workers_at(address)
