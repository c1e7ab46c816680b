"""What takes long to build is built once a run, by whichever worker comes first."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from filelock import FileLock


def built_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """A folder that `make` has filled, the same for all workers; not to be written to."""
    base = factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        base = base.parent  # each worker has a folder of its own in it
    folder, done = base / name, base / f"{name}.built"
    with FileLock(base / f"{name}.lock"):
        if not done.exists():
            make(folder)
            done.touch()
    return folder
