"""`slopewatch set-aside`: the rows that did not load, and what puts them right."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from dashboard import theme
from dashboard.cli.arguments import DONE, DONE_BUT, UsageError, Words, fleet_of, say, show
from models import run

COLUMNS = ("id", "file", "sheet", "table", "row", "column", "found", "expected", "fix")


def add(words: Words) -> None:
    """Add the command to the command line."""
    text = "rows that did not load: list them, put them right, write them out"
    sub = words.add("set-aside", _set_aside, text, "store", "format")
    sub.add_argument("--accept", action="store_true", help="take every suggestion that is sure")
    sub.add_argument("--take", type=int, metavar="ID", help="take all that is suggested for a row")
    sub.add_argument(
        "--put", nargs="+", metavar=("ID", "COLUMN=VALUE"), help="type the right cells of a row"
    )
    sub.add_argument("--dismiss", type=int, metavar="ID", help="leave a row out for good")
    sub.add_argument("--out", type=Path, metavar="FOLDER", help="write them as CSV to correct")
    sub.add_argument("--no-fit", action="store_true", help="leave the models as they are")


def _set_aside(args: argparse.Namespace) -> int:
    fleet = fleet_of(args)
    if _put_right(args, fleet) and not args.no_fit:
        run.refit(fleet)
    if args.out is not None:
        for path in run.write_set_aside(fleet, args.out):
            say(f"written: {path}; correct the cells, then load the file")
    rows = run.set_aside(fleet)
    show(args, rows, [line for row in rows for line in _lines(row)], COLUMNS)
    return DONE_BUT if rows else DONE


def _lines(row: Any) -> list[dict[str, Any]]:
    """Return a line for each thing that is wrong with a row."""
    shared = {"id": row["set_aside_id"], **{name: row[name] for name in COLUMNS[1:5]}}
    return [{**shared, **problem, "sheet": row["sheet"]} for problem in row["problems"]]


def _put_right(args: argparse.Namespace, fleet: run.Fleet) -> bool:
    """Do what was asked for with the rows; return whether any was loaded."""
    loaded = False
    if args.accept:
        taken = run.accept_suggestions(fleet)
        for notice in taken["notices"]:
            say(f"note: {notice}")
        say(
            f"{theme.plural(taken['cells'], 'cell')} taken as suggested: "
            f"{theme.plural(taken['rows_loaded'], 'row')} loaded, "
            f"{taken['rows_left']} still waiting"
        )
        loaded = taken["rows_loaded"] > 0
    if args.take is not None:
        loaded |= _correct(fleet, args.take, _suggested(fleet, args.take))
    if args.put is not None:
        loaded |= _correct(fleet, *_typed(args.put))
    if args.dismiss is not None:
        run.dismiss_row(fleet, args.dismiss)
        say(f"row {args.dismiss} is left out")
    return loaded


def _correct(fleet: run.Fleet, number: int, cells: dict[str, str | None]) -> bool:
    wrong = run.correct_row(fleet, number, cells)
    for sentence in wrong:
        say(sentence)
    if not wrong:
        say(f"row {number} is put right and loaded")
    return not wrong


def _suggested(fleet: run.Fleet, number: int) -> dict[str, str | None]:
    problems = [
        problem
        for row in run.set_aside(fleet)
        if row["set_aside_id"] == number
        for problem in row["problems"]
    ]
    cells = {
        p["column"]: p["suggested"] or None
        for p in problems
        if p["column"] and p["suggested"] is not None
    }
    if not cells:
        raise UsageError(f"nothing is suggested for row {number}: see slopewatch set-aside")
    return cells


def _typed(words: list[str]) -> tuple[int, dict[str, str | None]]:
    """Return a row's number and its right cells; nothing behind the sign empties a cell."""
    number, *cells = words
    pairs = [cell.partition("=") for cell in cells]
    if not number.isdigit() or not pairs or not all(name and sign for name, sign, _ in pairs):
        raise UsageError(f"found {' '.join(words)}, expected ID COLUMN=VALUE: 3 torque_nm=33.9")
    return int(number), {name: value or None for name, _, value in pairs}
