"""What holds for all tests, before the first of them is imported."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from tests.browser import browser, long_visit, tabs, visit  # noqa: F401

COMPILED = Path(__file__).parents[1] / ".pytest_cache" / "compiled"


def _calculate_with_one_thread() -> None:
    """Have tables and linear algebra worked on by one thread, here and in processes to come.

    Several files of tests run at a time: what a second thread waits for costs more than it helps.
    """
    for name in ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def _keep_what_is_compiled() -> None:
    """Keep compiled modules apart from the sources where Python was told not to write beside them.

    The workers of a run and the processes that they start would else compile every library
    again each, which takes more time than half of the tests.
    """
    if sys.dont_write_bytecode:
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix = str(COMPILED)
        sys.dont_write_bytecode = False


_calculate_with_one_thread()
_keep_what_is_compiled()
