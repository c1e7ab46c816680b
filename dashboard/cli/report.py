"""`slopewatch report WHAT …`: documents to print or to hand on.

Each kind of report is one function in REPORTS that adds its own words to the command line; its
handler takes the parsed arguments and returns the exit code.
"""

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import Any

from dashboard.cli import changes, records
from dashboard.cli.arguments import store_of
from dashboard.cli.reports import add_reports

__all__ = ["REPORTS", "add", "store_of", "with_store"]
Report = Callable[[Any], None]
REPORTS: list[Report] = [records.add_words, changes.add_words, add_reports]


def add(commands: Any) -> None:
    """Add `report` and all its kinds to the command line's subparsers."""
    if not REPORTS:
        return
    text = "documents to print or to hand on"
    report = commands.add_parser("report", help=text, description=text)
    kinds = report.add_subparsers(dest="report", required=True, metavar="WHAT")
    for words in REPORTS:
        words(kinds)


def with_store(sub: argparse.ArgumentParser) -> None:
    """Let a report name the store it is of."""
    sub.add_argument("--store", type=Path, metavar="FILE", help="the DuckDB store")
