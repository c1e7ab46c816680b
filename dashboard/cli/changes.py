"""`slopewatch report changes`: who changed what, and when."""

import argparse
from typing import Any

from dashboard import service
from dashboard.cli.arguments import DONE, day, fleet_of, show

COLUMNS = ("changed_at", "who", "what", "subject", "before", "after")


def add_words(kinds: Any) -> None:
    """Add `changes` to the kinds of report."""
    text = "who changed what, and when; the newest first"
    sub = kinds.add_parser("changes", help=text, description=text)
    sub.add_argument("--store", metavar="FILE", help="the DuckDB store")
    sub.add_argument("--format", choices=service.FORMATS, default="table")
    for option, name in (("--from", "first"), ("--to", "last")):
        sub.add_argument(option, dest=name, type=day, metavar="DATE", help="a day, UTC")
    sub.set_defaults(handler=_changes)


def _changes(args: argparse.Namespace) -> int:
    from models import run

    rows = run.changes(fleet_of(args), args.first, args.last)
    show(args, rows, rows, COLUMNS)
    return DONE
