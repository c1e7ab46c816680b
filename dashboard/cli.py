"""The `slopewatch` command.

Results go to standard output, progress and messages to standard error. Exit 0: done.
1: done, but rows were set aside, a check failed or a fit did not converge. 2: wrong use or
nothing done, with one clear line. Everything heavy is imported inside the command that needs it.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any, NoReturn

from dashboard import commands_report, printing

DONE, DONE_BUT, NOTHING_DONE = 0, 1, 2
DEFAULT_STORE = "slopewatch.duckdb"
Handler = Callable[[argparse.Namespace], int]


class UsageError(Exception):
    """Wrong use, or nothing could be done: one clear line, exit 2."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise UsageError(f"{self.prog}: {message}. See '{self.prog} --help'.")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code and never shows a traceback."""
    try:
        args = _parser().parse_args(argv)
        handler: Handler = args.handler
        return handler(args)
    except UsageError as problem:
        return _refuse(str(problem))
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except KeyboardInterrupt:
        return _refuse("stopped; what was already in the store is untouched")
    except Exception as problem:
        return _unexpected(problem)


def _refuse(message: str) -> int:
    print(f"slopewatch: {message}", file=sys.stderr)
    return NOTHING_DONE


def _unexpected(problem: Exception) -> int:
    from dashboard import data

    if data.is_expected(problem):
        return _refuse(str(problem))
    if os.environ.get("SLOPEWATCH_DEBUG"):
        raise problem
    return _refuse(
        f"a fault of ours: {type(problem).__name__}: {problem}. Nothing was lost; "
        "set SLOPEWATCH_DEBUG=1 and run it again to see where."
    )


# ---------------------------------------------------------------- the commands' words


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="slopewatch",
        description="How far off every power meter of a team is, how sure that is, and who is due.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def command(name: str, handler: Handler, text: str, *shared: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text)
        sub.set_defaults(handler=handler)
        if "store" in shared:
            sub.add_argument("--store", type=Path, metavar="FILE", help="the DuckDB store")
        if "format" in shared:
            sub.add_argument("--format", choices=printing.FORMATS, default="table")
        if "as_of" in shared:
            sub.add_argument(
                "--as-of", type=_day, metavar="DATE", help="as it could have been known that day"
            )
        return sub

    sub = command("demo", _demo, "build the demo fleet if there is none, and serve it", "store")
    sub.add_argument("--port", type=int, default=8550)
    sub.add_argument("--build-only", action="store_true", help="build the store, serve nothing")

    sub = command("load", _load, "read files and folders into the store", "store", "format")
    sub.add_argument("paths", nargs="+", type=Path, metavar="PATH")
    sub.add_argument("--no-fit", action="store_true", help="leave the models as they are")

    command("fit", _fit, "refit the models", "store", "format")
    command("status", _status, "the fleet today", "store", "format", "as_of")

    sub = command("history", _history, "one meter over time", "store", "format", "as_of")
    sub.add_argument("meter", metavar="METER")

    sub = command("bench", _bench, "evaluate bench sessions; needs no store", "format")
    sub.add_argument("paths", nargs="+", type=Path, metavar="FILE")

    sub = command("compare", _compare, "evaluate a pair of recordings; needs no store", "format")
    sub.add_argument("meter", type=Path, metavar="METER_FILE")
    sub.add_argument("reference", type=Path, metavar="REFERENCE_FILE")

    sub = command("plan", _plan, "who goes to the bench when", "store", "format", "as_of")
    _period(sub)
    sub.add_argument("--slots-per-week", type=int, metavar="N")
    sub.add_argument("--pin", action="append", default=[], metavar="METER=WEEK")
    sub.add_argument("--calendar", action="store_true", help="print an iCalendar file instead")

    sub = command("budget", _budget, "what the season costs", "store", "format", "as_of")
    _period(sub)

    command(
        "policies", _policies, "fixed intervals and ours, simulated", "store", "format", "as_of"
    )

    command(
        "hindcast", _hindcast, "past forecasts against what was found", "store", "format", "as_of"
    )

    sub = command(
        "effort", _effort, "what an errorless meter would have shown", "store", "format", "as_of"
    )
    sub.add_argument("efforts", nargs="+", metavar="DATE[Ttime],METER,WATTS[,SECONDS]")

    sub = command(
        "correct", _correct, "the ledger of correction factors", "store", "format", "as_of"
    )
    who = sub.add_mutually_exclusive_group(required=True)
    who.add_argument("--meter", metavar="M")
    who.add_argument("--rider", metavar="R")
    _period(sub)

    commands_report.add(commands)

    sub = command("template", _template, "write empty tables and a data dictionary")
    sub.add_argument("folder", type=Path, metavar="FOLDER")

    sub = command("settings", _settings, "show or change the store's settings", "store", "format")
    sub.add_argument("key", nargs="?", metavar="KEY")
    sub.add_argument("value", nargs="?", metavar="VALUE")

    sub = command(
        "set-aside", _set_aside, "rows that did not load: list, write out", "store", "format"
    )
    sub.add_argument("--out", type=Path, metavar="FOLDER", help="write them as CSV to correct")

    sub = command("export", _export, "every input table as files", "store")
    sub.add_argument("folder", type=Path, metavar="FOLDER")
    sub.add_argument("--as", dest="form", choices=("csv", "xlsx", "parquet"), default="csv")
    sub.add_argument("--rider", metavar="R", help="one rider's data only")

    sub = command("backup", _backup, "copy the store while nobody writes", "store")
    sub.add_argument("target", type=Path, metavar="FILE")

    sub = command("imports", _imports, "what was loaded; take one import back", "store", "format")
    sub.add_argument("--undo", type=int, metavar="IMPORT")

    sub = command(
        "remove-rider", _remove_rider, "remove one rider's data for good", "store", "format"
    )
    sub.add_argument("rider", metavar="RIDER")
    sub.add_argument("--yes", action="store_true", help="do it; without, nothing is changed")

    sub = command("serve", _serve, "the dashboard, on this machine only", "store")
    sub.add_argument("--host", default="127.0.0.1")
    sub.add_argument("--port", type=int, default=8550)
    return parser


def _period(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--from", dest="first", type=_day, required=True, metavar="DATE")
    sub.add_argument("--to", dest="last", type=_day, required=True, metavar="DATE")


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f'found "{text}" as a date, expected ISO 8601 such as 2026-03-14'
        ) from None


def _store(args: argparse.Namespace) -> Path:
    named = args.store or os.environ.get("SLOPEWATCH_STORE") or DEFAULT_STORE
    return Path(named)


def _say(message: str) -> None:
    print(message, file=sys.stderr, flush=True)


def _print(
    args: argparse.Namespace,
    document: Any,
    rows: Sequence[dict[str, Any]],
    columns: Sequence[str],
) -> None:
    if args.format == "json":
        print(printing.to_json(document))
    elif args.format == "csv":
        print(printing.to_csv(rows, columns))
    else:
        print(printing.to_table(rows, columns))


# ---------------------------------------------------------------- what each does


def _load(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.load(_store(args), args.paths, fit=not args.no_fit, say=_say)
    for problem in document["set_aside"]:
        _say(data.problem_line(problem))
    for notice in document["notices"]:
        _say(f"note: {notice}")
    columns = (
        "path",
        "sheet",
        "table",
        "rows_read",
        "rows_loaded",
        "rows_unchanged",
        "rows_set_aside",
    )
    _print(args, document, document["files"], columns)
    fit = document["fit"]
    if not document["files"] and not document["recordings"]:
        raise UsageError("nothing to load: no table and no recording was found in what you named")
    failed = bool(document["set_aside"]) or bool(fit and fit["ran"] and not fit["converged"])
    return DONE_BUT if failed else DONE


def _fit(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.refit(_store(args), say=_say)
    _print(args, document, [document], ("ran", "converged", "seconds", "message"))
    return DONE if document["converged"] else DONE_BUT


def _status(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.status(_store(args), as_of=args.as_of, say=_say)
    if document.get("today_note"):
        _say(f"note: {document['today_note']}")
    columns = (
        "meter_id", "status", "gain_error_pct", "gain_error_sd_pct", "p_within_tolerance",
        "tolerance_pct", "due_date", "last_bench", "last_comparison", "reasons",
    )  # fmt: skip
    _print(args, document, document["meters"], columns)
    if args.format == "table":
        _say("  ".join(f"{name}: {n}" for name, n in document["fleet"]["counts"].items()))
    return DONE if document["fit"]["converged"] else DONE_BUT


def _history(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.history(_store(args), args.meter, as_of=args.as_of, say=_say)
    _print(
        args,
        document,
        document["points"],
        ("date", "gain_error_pct", "sd_pct", "lo90_pct", "hi90_pct"),
    )
    return DONE


def _bench(args: argparse.Namespace) -> int:
    from dashboard import data

    document, problems = data.bench_files(args.paths)
    for problem in problems:
        _say(data.problem_line(problem))
    columns = (
        "session_id", "meter_id", "measured_at", "gain_error_pct", "expanded_uncertainty_pct",
        "tolerance_pct", "verdict", "p_in_tolerance", "new_slope", "ring_difference_pct",
        "arm_difference_pct", "advice",
    )  # fmt: skip
    _print(args, document, document["sessions"], columns)
    return DONE_BUT if problems else DONE


def _compare(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.compare_files(args.meter, args.reference)
    for warning in document["warnings"]:
        _say(f"note: {warning}")
    if document["void"]:
        _say(f"void: {document['void']}")
    columns = (
        "gain_ratio_pct", "gain_ratio_interval90_pct", "zero_offset_nm", "lag_s", "overlap_s",
        "used_s", "mean_difference_w",
    )  # fmt: skip
    _print(args, document, [document], columns)
    return DONE


def _plan(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.plan(
        _store(args),
        args.first,
        args.last,
        slots_per_week=args.slots_per_week,
        pins=args.pin,
        as_of=args.as_of,
        say=_say,
    )
    for text in [*document.get("lacks", []), *document.get("notes", [])]:
        _say(f"note: {text}")
    if args.calendar:
        print(data.calendar_text(document), end="")
        return DONE
    columns = ("week", "meter_id", "p_within_tolerance_before", "deadline", "reason")
    _print(args, document, document["visits"], columns)
    return DONE


def _budget(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.budget(_store(args), args.first, args.last, as_of=args.as_of, say=_say)
    for text in [*document.get("lacks", []), *document.get("notes", [])]:
        _say(f"note: {text}")
    columns = ("meter_id", "cost", "interval90", "keep_or_replace", "reason")
    _print(args, document, document["meters"], columns)
    low, high = document["interval90"]
    total, currency = document["total"], document["currency"] or ""
    _say(f"total {total:.0f} {currency} (90 %: {low:.0f} to {high:.0f})")
    return DONE


def _policies(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.policies(_store(args), as_of=args.as_of, say=_say)
    columns = ("name", "visits_per_meter_year", "out_of_tolerance_share", "interval90")
    _print(args, document, document["policies"], columns)
    return DONE


def _hindcast(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.hindcast(_store(args), as_of=args.as_of, say=_say)
    columns = (
        "date",
        "session_id",
        "meter_id",
        "forecast_pct",
        "forecast_sd_pct",
        "found_pct",
        "inside90",
    )
    _print(args, document, document["sessions"], columns)
    _say(f"{document['n']} sessions; the 90 % interval held {document['coverage90'] or 0:.0%}")
    return DONE


def _effort(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.effort(_store(args), args.efforts, as_of=args.as_of, say=_say)
    columns = ("date", "meter_id", "watts", "corrected_w", "interval90_w")
    _print(args, document, document["efforts"], columns)
    if args.format == "table":
        for difference in document["differences"]:
            print(f"{difference['from']} → {difference['to']}: {difference['text']}")
    return DONE


def _correct(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.correct(
        _store(args),
        args.first,
        args.last,
        meter_id=args.meter,
        rider_id=args.rider,
        as_of=args.as_of,
        say=_say,
    )
    columns = ("meter_id", "rider_id", "from_date", "to_date", "factor", "interval90", "note")
    _print(args, document, document["ledger"], columns)
    return DONE


def _export(args: argparse.Namespace) -> int:
    from dashboard import data

    paths = (
        data.export_rider(_store(args), args.rider, args.folder)
        if args.rider
        else data.export(_store(args), args.folder, args.form)
    )
    for path in paths:
        print(path)
    return DONE


def _backup(args: argparse.Namespace) -> int:
    from dashboard import data

    print(data.backup(_store(args), args.target))
    return DONE


def _imports(args: argparse.Namespace) -> int:
    from dashboard import data

    if args.undo is not None:
        document = data.undo_import(_store(args), args.undo)
        _print(args, document, [document], tuple(document))
        return DONE
    rows = data.imports(_store(args))
    _print(args, rows, rows, tuple(rows[0]) if rows else ("import_id", "path"))
    return DONE


def _remove_rider(args: argparse.Namespace) -> int:
    from dashboard import data

    if not args.yes:
        raise UsageError(
            f"this removes every row about {args.rider} for good; export it first "
            f"(slopewatch export FOLDER --rider {args.rider}), then add --yes"
        )
    document = data.remove_rider(_store(args), args.rider)
    _print(args, document, [document], tuple(document))
    return DONE


def _template(args: argparse.Namespace) -> int:
    from dashboard import data

    for path in data.write_template(args.folder):
        print(path)
    return DONE


def _settings(args: argparse.Namespace) -> int:
    from dashboard import data

    if args.key is not None and args.value is not None:
        data.set_setting(_store(args), args.key, args.value)
    document = data.settings(_store(args))
    if args.key is not None and args.key not in document:
        raise UsageError(f'found "{args.key}", expected one of: {", ".join(sorted(document))}')
    shown = document if args.key is None else {args.key: document[args.key]}
    rows = [{"key": key, "value": value} for key, value in shown.items()]
    _print(args, shown, rows, ("key", "value"))
    return DONE


def _set_aside(args: argparse.Namespace) -> int:
    from dashboard import data

    rows = data.set_aside(_store(args))
    if args.out is not None:
        for path in data.write_set_aside(_store(args), args.out):
            _say(f"written: {path}; correct the cells, then load the file")
    _print(
        args,
        rows,
        rows,
        ("id", "file", "sheet", "table", "row", "column", "found", "expected", "fix"),
    )
    return DONE_BUT if rows else DONE


def _demo(args: argparse.Namespace) -> int:
    from dashboard import data

    store = args.store or Path(os.environ.get("SLOPEWATCH_STORE") or "demo.duckdb")
    data.build_demo(store, say=_say)
    if args.build_only:
        return DONE
    return _run_server(store, "127.0.0.1", args.port)


def _serve(args: argparse.Namespace) -> int:
    return _run_server(_store(args), args.host, args.port)


def _run_server(store: Path, host: str, port: int) -> int:
    from dashboard import server

    try:
        server.serve(store, host=host, port=port, say=_say)
    except OSError as problem:
        raise UsageError(
            f"cannot listen on {host}:{port}: {problem.strerror}. Try --port"
        ) from None
    return DONE


if __name__ == "__main__":
    sys.exit(main())
