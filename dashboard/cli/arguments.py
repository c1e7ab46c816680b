"""What all commands share: their words, where the store is, how results are printed.

Exit 0: done. 1: done, but rows were set aside, a check failed or a fit did not converge.
2: wrong use or nothing done, with one clear line.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any, NoReturn

from dashboard import service
from ingest.schema import Problem, ProblemDocument
from models import run

DONE, DONE_BUT, NOTHING_DONE = 0, 1, 2
PROVISIONAL = "the fit did not converge: take these numbers as provisional"
DEFAULT_STORE = "slopewatch.duckdb"
Handler = Callable[[argparse.Namespace], int]


class UsageError(Exception):
    """Wrong use, or nothing could be done: one clear line, exit 2."""


class Parser(argparse.ArgumentParser):
    """Reports wrong use as one line that names the command."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(f"{self.prog}: {message}. See '{self.prog} --help'.")


class Words:
    """Collects the commands that may follow a word of the command line."""

    def __init__(self, parser: argparse.ArgumentParser, dest: str, metavar: str) -> None:
        self._parsers = parser.add_subparsers(dest=dest, required=True, metavar=metavar)

    def add(self, name: str, handler: Handler, text: str, *shared: str) -> argparse.ArgumentParser:
        """Add a command; shared: which of `store`, `format`, `as_of`, `cluster` it takes."""
        sub: argparse.ArgumentParser = self._parsers.add_parser(name, help=text, description=text)
        sub.set_defaults(handler=handler)
        if "store" in shared:
            sub.add_argument("--store", type=Path, metavar="FILE", help="the DuckDB store")
        if "format" in shared:
            sub.add_argument("--format", choices=service.FORMATS, default="table")
        if "as_of" in shared:
            sub.add_argument(
                "--as-of", type=day, metavar="DATE", help="as it could have been known that day"
            )
        if "cluster" in shared:
            sub.add_argument(
                "--cluster",
                metavar="ADDRESS",
                help="a dask scheduler whose workers help; local:N: N of this machine",
            )
        return sub

    def within(self, name: str, text: str, *, metavar: str) -> Words:
        """Add a command that is followed by one of several others; return their collection."""
        return Words(self._parsers.add_parser(name, help=text, description=text), name, metavar)


def period(sub: argparse.ArgumentParser) -> None:
    """Let a command be asked about a period."""
    sub.add_argument("--from", dest="first", type=day, required=True, metavar="DATE")
    sub.add_argument("--to", dest="last", type=day, required=True, metavar="DATE")


def day(text: str) -> date:
    """Return a calendar day written as ISO 8601; UsageError for anything else."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f'found "{text}" as a date, expected ISO 8601 such as 2026-03-14'
        ) from None


def store_of(args: argparse.Namespace) -> Path:
    """Return the store that was named, else the environment's, else the one in this folder."""
    return Path(args.store or os.environ.get("SLOPEWATCH_STORE") or DEFAULT_STORE)


def fleet_of(args: argparse.Namespace) -> run.Fleet:
    """Return the fleet that a command is asked of, told on standard error what takes long."""
    workers = getattr(args, "workers", None)
    as_of = getattr(args, "as_of", None)
    return run.Fleet.at(store_of(args), as_of=as_of, say=say, workers=workers)


def say(message: str) -> None:
    """Print progress and messages on standard error, at once."""
    print(service.without_controls(message), file=sys.stderr, flush=True)


def show(
    args: argparse.Namespace,
    document: Any,
    rows: Sequence[Mapping[str, Any]],
    columns: Sequence[str],
) -> None:
    """Print a result: the document as JSON, or its rows as a table or CSV.

    Numbers of a fit that did not converge are said to be provisional, and the command ends with 1.
    """
    fit = document.get("fit") if isinstance(document, dict) else None
    if fit and fit.get("converged") is False:
        args.provisional = True
        say(f"note: {PROVISIONAL} ({fit.get('message')})")
    if args.format == "json":
        print(service.to_json(document))
    elif args.format == "csv":
        print(service.to_csv(rows, columns))
    else:
        print(service.to_table(rows, columns))


def notes(document: Mapping[str, Any]) -> None:
    """Say what an answer lacks and what is worth knowing about it."""
    for text in [*document.get("lacks", []), *document.get("notes", [])]:
        say(f"note: {text}")


def say_set_aside(problems: Iterable[ProblemDocument]) -> None:
    """Say of each set-aside cell where it is, what was found, what was expected, what to do."""
    for problem in problems:
        say(Problem(**problem).sentence(whole_path=True))
