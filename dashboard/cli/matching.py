"""`slopewatch match`: what the columns of a team's own sheets mean, and their rows in."""

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from dashboard.cli.arguments import (
    DONE,
    DONE_BUT,
    UsageError,
    Words,
    fleet_of,
    say,
    say_set_aside,
    show,
)
from models import run

COLUMNS = ("path", "sheet", "heading", "meaning", "unit", "confidence", "why")


def add(words: Words) -> None:
    """Add the command to the command line."""
    text = "what the columns of a team's own sheets mean"
    sub = words.add("match", _match, text, "store", "format")
    sub.add_argument("paths", nargs="+", type=Path, metavar="PATH")
    sub.add_argument("--accept", action="store_true", help="load what is certain")
    sub.add_argument("--map", type=Path, metavar="FILE", help="a mapping that was exported")
    sub.add_argument("--save", metavar="NAME", help="keep what the columns mean under a name")
    sub.add_argument("--no-fit", action="store_true", help="leave the models as they are")
    sub.add_argument(
        "--answer",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="what was asked: date_order=day_month_year, mass_kg=20",
    )

    sub = words.add("mappings", _mappings, "what was kept about sheets", "store", "format")
    sub.add_argument("name", nargs="?", metavar="NAME")
    sub.add_argument("--remove", metavar="NAME", help="forget this one")


def _match(args: argparse.Namespace) -> int:
    options = run.MatchOptions(
        _answers(args.answer), args.map, args.save, load=args.accept, fit=not args.no_fit
    )
    document = run.match_files(fleet_of(args), args.paths, options)
    sheets = document["sheets"]
    for notice in document["notices"]:
        say(f"note: {notice}")
    if not sheets:
        raise UsageError("no table was found in what you named")
    for sheet in sheets:
        _say(sheet, accepted=args.accept)
    rows = [
        {**column, "path": sheet["path"], "sheet": sheet["sheet"]}
        for sheet in sheets
        for column in sheet["columns"]
    ]
    show(args, document, rows, COLUMNS)
    for device in document["devices"]:
        _say_device(device, accepted=args.accept)
    undone = any(sheet["undecided"] or sheet["set_aside"] for sheet in sheets)
    return DONE_BUT if undone else DONE


def _mappings(args: argparse.Namespace) -> int:
    fleet = fleet_of(args)
    if args.remove:
        run.remove_mapping(fleet, args.remove)
    kept = run.mappings(fleet)
    chosen = [one for one in kept if args.name in (None, one["name"])]
    if args.name and not chosen:
        names = ", ".join(one["name"] for one in kept) or "none"
        raise UsageError(f'found "{args.name}", expected a mapping that is kept: {names}')
    rows = [{**column, "name": one["name"]} for one in chosen for column in one["columns"]]
    show(args, chosen, rows, ("name", "heading", "meaning", "unit"))
    return DONE


def _answers(given: Sequence[str]) -> dict[str, str]:
    pairs = [text.partition("=") for text in given]
    for key, mark, value in pairs:
        if not (key and mark and value):
            raise UsageError(f'found "{key}{mark}{value}" as an answer, expected KEY=VALUE')
    return {key: value for key, _, value in pairs}


def _say_device(device: Mapping[str, Any], *, accepted: bool) -> None:
    table, name = device["table"], device["name"]
    told = ", ".join(f"{column} {value}" for column, value in device["cells"].items() if value)
    if device["missing"]:
        keys = ", ".join(
            f"--answer {table}.{name}.{column}={device['likely'].get(column, '…')}"
            for column in device["missing"]
        )
        say(f"new in {table}: {told}; not loaded before it is complete: {keys}")
    else:
        say(f"new in {table}: {told}; {'loaded' if accepted else 'proposed'}")


def _say(sheet: Mapping[str, Any], *, accepted: bool) -> None:
    where = sheet["path"] + (f", sheet {sheet['sheet']}" if sheet["sheet"] else "")
    proposed = ", ".join(f"{n} rows for {table}" for table, n in sheet["proposed"].items())
    state = "loaded" if sheet["loaded"] else "proposed"
    say(f"{where}: {sheet['layout']}, {sheet['rows']} rows; {state}: {proposed or 'nothing'}")
    for open_ in sheet["undecided"]:
        choices = f" ({', '.join(open_['choices'])})" if open_["choices"] else ""
        say(f"  to decide, --answer '{open_['key']}=…': {open_['what']}{choices}")
    say_set_aside(sheet["set_aside"])
