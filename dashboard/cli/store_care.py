"""Commands that keep the store: templates, settings, copies, what was loaded, whose data."""

import argparse
from pathlib import Path

from dashboard.cli.arguments import DONE, DONE_BUT, UsageError, Words, fleet_of, say, show
from models import run


def add(words: Words) -> None:
    """Add these commands to the command line."""
    sub = words.add("template", _template, "write empty tables and a data dictionary")
    sub.add_argument("folder", type=Path, metavar="FOLDER")

    shared = ("store", "format")
    sub = words.add("settings", _settings, "show or change the store's settings", *shared)
    sub.add_argument("key", nargs="?", metavar="KEY")
    sub.add_argument("value", nargs="?", metavar="VALUE")

    sub = words.add("export", _export, "every input table as files", "store")
    sub.add_argument("folder", type=Path, metavar="FOLDER")
    sub.add_argument("--as", dest="form", choices=("csv", "xlsx", "parquet"), default="csv")
    sub.add_argument("--rider", metavar="R", help="one rider's data only")

    text = "copy the store, and its recordings, while nobody writes"
    sub = words.add("backup", _backup, text, "store")
    sub.add_argument("target", type=Path, metavar="FILE", help="with --keep a folder")
    sub.add_argument("--keep", type=int, metavar="N", help="one a day; leave the newest N")

    text = "what is wrong with a store's file, and what can be saved"
    sub = words.add("doctor", _doctor, text, *shared)
    sub.add_argument("--save", type=Path, metavar="FILE", help="a new store for what can be read")

    sub = words.add("imports", _imports, "what was loaded; take one import back", *shared)
    sub.add_argument("--undo", type=int, metavar="IMPORT")

    sub = words.add("remove-rider", _remove_rider, "remove one rider's data for good", *shared)
    sub.add_argument("rider", metavar="RIDER")
    sub.add_argument("--yes", action="store_true", help="do it; without, nothing is changed")


def _template(args: argparse.Namespace) -> int:
    for path in run.write_templates(args.folder):
        print(path)
    return DONE


def _settings(args: argparse.Namespace) -> int:
    if args.key is not None and args.value is not None:
        run.set_setting(fleet_of(args), args.key, args.value)
    document = run.settings(fleet_of(args))
    if args.key is not None and args.key not in document:
        raise UsageError(f'found "{args.key}", expected one of: {", ".join(sorted(document))}')
    shown = document if args.key is None else {args.key: document[args.key]}
    rows = [{"key": key, "value": value} for key, value in shown.items()]
    show(args, shown, rows, ("key", "value"))
    return DONE


def _export(args: argparse.Namespace) -> int:
    paths = (
        run.write_rider(fleet_of(args), args.rider, args.folder)
        if args.rider
        else run.write_tables(fleet_of(args), args.folder, args.form)
    )
    for path in paths:
        print(path)
    return DONE


def _backup(args: argparse.Namespace) -> int:
    if args.keep is None:
        copies = run.back_up(fleet_of(args), args.target)
    elif args.keep < 1:
        raise UsageError(f"found --keep {args.keep}, expected a number from 1 on")
    else:
        made = run.back_up_today(fleet_of(args), args.target, keep=args.keep)
        copies = [made] if made else []
    for path in copies:
        print(path)
    return DONE


def _doctor(args: argparse.Namespace) -> int:
    found = run.diagnose(fleet_of(args), args.save)
    for problem in found["problems"]:
        say(problem)
    show(args, found, found["tables"], ("table", "rows", "lost", "problem"))
    if args.save:
        say(f"saved into {args.save}: look at it, then fit (slopewatch fit --store {args.save})")
    return DONE if found["sound"] else DONE_BUT


def _imports(args: argparse.Namespace) -> int:
    if args.undo is not None:
        document = run.undo_import(fleet_of(args), args.undo)
        show(args, document, [document], tuple(document))
        return DONE
    rows = run.imports(fleet_of(args))
    show(args, rows, rows, tuple(rows[0]) if rows else ("import_id", "path"))
    return DONE


def _remove_rider(args: argparse.Namespace) -> int:
    if not args.yes:
        raise UsageError(
            f"this removes every row about {args.rider} for good; export it first "
            f"(slopewatch export FOLDER --rider {args.rider}), then add --yes"
        )
    document = run.remove_rider(fleet_of(args), args.rider)
    show(args, document, [document], tuple(document))
    for backup in document["backups"]:
        say(f"{backup}: this backup holds what was removed; delete it, or keep it and say so")
    say("the files that were loaded, and copies made elsewhere, are the team's to look after")
    return DONE
