"""Commands that bring records in and say how the fleet stands."""

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from dashboard import theme
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


def add(words: Words) -> None:
    """Add these commands to the command line."""
    shared = ("store", "format", "cluster")
    sub = words.add("load", _load, "read files and folders into the store", *shared)
    sub.add_argument("paths", nargs="+", type=Path, metavar="PATH")
    sub.add_argument("--no-fit", action="store_true", help="leave the models as they are")
    sub.add_argument("--dry-run", action="store_true", help="say what would change; change nothing")

    words.add("fit", _fit, "refit the models", *shared)
    words.add("status", _status, "the fleet today", "store", "format", "as_of")

    sub = words.add("history", _history, "one meter over time", "store", "format", "as_of")
    sub.add_argument("meter", metavar="METER")

    words.add("ageing", _ageing, "how groups and meters age", "store", "format", "as_of")

    sub = words.add("bench", _bench, "evaluate bench sessions; needs no store", "format")
    sub.add_argument("paths", nargs="+", type=Path, metavar="FILE")

    sub = words.add("compare", _compare, "evaluate a pair of recordings; needs no store", "format")
    sub.add_argument("meter", type=Path, metavar="METER_FILE")
    sub.add_argument("reference", type=Path, metavar="REFERENCE_FILE")
    sub.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="COLUMN=HEADING",
        help="what a CSV calls a column, for instance power_w=Watts; may be given again",
    )


def _load(args: argparse.Namespace) -> int:
    document = run.load_folders(
        fleet_of(args), args.paths, fit=not args.no_fit, dry_run=args.dry_run
    )
    say_set_aside(document["set_aside"])
    for notice in document["notices"]:
        say(f"note: {notice}")
    if sure := sum(problem["sure"] for problem in document["set_aside"]):
        cells = theme.plural(sure, "cell")
        say(f"what is suggested for {cells} is sure: slopewatch set-aside --accept takes it")
    columns = (
        "path",
        "sheet",
        "table",
        "rows_read",
        "rows_loaded",
        "rows_unchanged",
        "rows_set_aside",
    )
    show(args, document, document["files"], columns)
    if args.dry_run:
        rows = theme.plural(len(document["changed"]), "stored row")
        say(f"nothing was loaded; {rows} would change")
    fit = document["fit"]
    if not document["files"] and not document["recordings"]:
        raise UsageError("nothing to load: no table and no recording was found in what you named")
    failed = bool(document["set_aside"]) or bool(fit and fit["ran"] and not fit["converged"])
    return DONE_BUT if failed else DONE


def _fit(args: argparse.Namespace) -> int:
    document = run.refit(fleet_of(args))
    show(args, document, [document], ("ran", "converged", "seconds", "message"))
    return DONE if document["converged"] else DONE_BUT


def _status(args: argparse.Namespace) -> int:
    fleet = fleet_of(args)
    fleet.require()
    document = run.status(fleet)
    for note in document["notes"]:
        say(f"note: {note}")
    if document.get("today_note"):
        say(f"note: {document['today_note']}")
    columns = (
        "meter_id", "status", "gain_error_pct", "gain_error_sd_pct", "p_within_tolerance",
        "tolerance_pct", "due_date", "last_bench", "last_comparison", "reasons",
    )  # fmt: skip
    show(args, document, document["meters"], columns)
    if args.format == "table":
        say("  ".join(f"{name}: {n}" for name, n in document["fleet"]["counts"].items()))
        _say_news(document)
    return DONE if document["fit"]["converged"] else DONE_BUT


def _say_news(document: Mapping[str, Any]) -> None:
    """Say what cannot wait: options before a race, notices that nobody has acknowledged."""
    for eve in document["race_eve"]:
        when = f"{eve['race_on']}, {theme.away(eve['race_on'], document['as_of'])}"
        say(f"{eve['meter_id']} is likely out, and {eve['rider_id']} races on {when}:")
        for text in [eve["first"], *(f"{o['do']} Risk: {o['risk']}." for o in eve["options"])]:
            say(f"  {text}")
        say(f"  {eve['never']}")
    fresh = [row for row in document["notices"] if row["acknowledged_by"] is None]
    for row in fresh[:5]:
        say(f"for {row['coach'] or 'the coach'}: {row['text']}")
    if len(fresh) > 5:
        say(f"and {len(fresh) - 5} more notices: slopewatch report notices")


def _history(args: argparse.Namespace) -> int:
    document = run.history(fleet_of(args), args.meter)
    show(
        args,
        document,
        document["points"],
        ("date", "gain_error_pct", "sd_pct", "lo90_pct", "hi90_pct"),
    )
    return DONE


def _ageing(args: argparse.Namespace) -> int:
    document = run.ageing(fleet_of(args))
    columns = (
        "model_group", "meter_id", "age_years", "drift_pct_per_year", "interval90_pct_per_year",
        "limits_pct_per_year", "outside", "swap_pct", "swap_interval90_pct", "swaps",
    )  # fmt: skip
    rows = [
        {"model_group": group["model_group"], **meter}
        for group in document["groups"]
        for meter in group["meters"]
    ]
    for group in document["groups"]:
        say(f"{group['model_group']}: {group['text']}")
    show(args, document, rows, columns)
    return DONE


def _bench(args: argparse.Namespace) -> int:
    document, problems = run.bench_files(args.paths)
    say_set_aside(problems)
    columns = (
        "session_id", "meter_id", "measured_at", "gain_error_pct", "expanded_uncertainty_pct",
        "tolerance_pct", "verdict", "p_in_tolerance", "new_slope", "recommended_slope",
        "ring_difference_pct", "arm_difference_pct", "advice",
    )  # fmt: skip
    rows = [
        {**session, "recommended_slope": theme.recommended_slopes(session)}
        for session in document["sessions"]
    ]
    show(args, document, rows, columns)
    return DONE_BUT if problems else DONE


def _named_column(text: str) -> tuple[str, str]:
    """Return a column and its heading; UsageError where the text does not say both."""
    column, _, heading = text.partition("=")
    if not (column and heading):
        raise UsageError(f'--column: found "{text}", expected COLUMN=HEADING (power_w=Watts)')
    return column, heading


def _compare(args: argparse.Namespace) -> int:
    named = dict(map(_named_column, args.column))
    document = run.compare_files(args.meter, args.reference, columns=named)
    for warning in [*document["notices"], *document["warnings"]]:
        say(f"note: {warning}")
    if document["void"]:
        say(f"void: {document['void']}")
    columns = (
        "gain_ratio_pct", "gain_ratio_interval90_pct", "zero_offset_nm", "lag_s", "overlap_s",
        "used_s", "mean_difference_w",
    )  # fmt: skip
    show(args, document, [document], columns)
    return DONE
