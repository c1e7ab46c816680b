"""`slopewatch report WHAT …`: documents to print or to hand on."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from dashboard import service
from dashboard.cli.arguments import DONE, Words, day, fleet_of, say, show
from models import run

EVERYTHING = ("store", "format", "as_of")
DOUBTS = (
    *("rider_id", "meter_id", "from_earliest", "from_latest", "to_earliest", "to_latest"),
    *("error_pct", "interval90_pct", "rider_factor", "why", "what_now"),
)


def add(commands: Words) -> None:
    """Add `report` and all its kinds to the command line."""
    words = commands.within("report", "documents to print or to hand on", metavar="WHAT")
    text = "the calibration record of a bench session, or its label, as PDF"
    sub = words.add("record", _record, text, "store")
    sub.add_argument("session", metavar="SESSION")
    sub.add_argument("--out", type=Path, required=True, metavar="FILE.pdf")
    sub.add_argument("--label", action="store_true", help="the label for the meter instead")
    text = "who changed what, and when; the newest first"
    _days(words.add("changes", _changes, text, "store", "format"), help="a day, UTC")
    sub = words.add("notices", _notices, "what coaches are told, and acknowledge", *EVERYTHING)
    _days(sub)
    sub.add_argument("--acknowledge", action="append", default=[], metavar="NOTICE")
    text = "when a meter was in doubt, and what each session that found it out says"
    sub = words.add("affected", _affected, text, *EVERYTHING)
    sub.add_argument("meter", metavar="METER")
    text = "when riders' watts were in doubt: from when to when, how much, and why"
    sub = words.add("doubts", _doubts, text, *EVERYTHING)
    sub.add_argument("--rider", metavar="R", help="of one rider")
    words.add(
        "intervals", _intervals, "due dates by other interval methods beside ours", *EVERYTHING
    )
    text = "evidence for a claim about a meter, a group, or serials that begin alike"
    sub = words.add("warranty", _warranty, text, *EVERYTHING)
    sub.add_argument("meter", metavar="METER")
    sub.add_argument("--out", type=Path, metavar="FILE.pdf", help="of a group, as PDF")
    sub = words.add("handover", _handover, "what a leaving rider hands back", *EVERYTHING)
    sub.add_argument("rider", metavar="RIDER")
    words.add("workshops", _workshops, "whether the workshops agree with one another", *EVERYTHING)


def _days(sub: argparse.ArgumentParser, help: str | None = None) -> None:
    for option, name in (("--from", "first"), ("--to", "last")):
        sub.add_argument(option, dest=name, type=day, metavar="DATE", help=help)


def _record(args: argparse.Namespace) -> int:
    from dashboard import pdf

    found = service.plain(run.bench_record(fleet_of(args), args.session))
    made = pdf.label_pdf(found) if args.label else pdf.record_pdf(found)
    print(run.write_document(args.out, made))
    return DONE


def _changes(args: argparse.Namespace) -> int:
    rows = run.changes(fleet_of(args), args.first, args.last)
    show(args, rows, rows, ("changed_at", "who", "what", "subject", "before", "after"))
    return DONE


def _notices(args: argparse.Namespace) -> int:
    fleet = fleet_of(args)
    for notice_id in args.acknowledge:
        run.acknowledge_notice(fleet, notice_id)
    rows = run.notices(fleet, args.first, args.last)
    columns = ("notice_id", "from_date", "coach", "rider_id", "acknowledged_by", "text")
    show(args, {"notices": rows}, rows, columns)
    return DONE


def _affected(args: argparse.Namespace) -> int:
    document = run.affected(fleet_of(args), args.meter)
    show(args, document, document["doubts"], DOUBTS)
    if args.format == "table":
        for text in [document["text"], *(row["text"] for row in document["found_out"][1:])]:
            say(text)
    return DONE


def _doubts(args: argparse.Namespace) -> int:
    document = run.doubtful(fleet_of(args), rider_id=args.rider)
    show(args, document, document["doubts"], DOUBTS)
    say(document["text"])
    return DONE


def _intervals(args: argparse.Namespace) -> int:
    document = run.intervals(fleet_of(args))
    columns = ("meter_id", "due_date", "calendar", "staircase", "control_chart", "in_use_time",
               "reliability")  # fmt: skip
    show(args, document, document["meters"], columns)
    if not any(row["in_use_time"] for row in document["meters"]):
        say("note: no hours of use are known (load recordings of rides): in_use_time is empty")
    return DONE


def _warranty(args: argparse.Namespace) -> int:
    from ingest.schema import UserError

    fleet = fleet_of(args)
    if args.out:
        return _group_warranty(args, run.group_warranty(fleet, args.meter))
    try:
        document = run.warranty(fleet, args.meter)
    except UserError as unknown:
        return _group_warranty(args, _group_named(fleet, args.meter, unknown))
    for text in document["lacks"]:
        say(f"note: {text}")
    if args.format == "table":
        print(document["text"])
    columns = ("measured_at", "session_id", "gain_error_pct", "expanded_uncertainty_pct",
               "bench_id", "technician", "slope_before", "slope_after")  # fmt: skip
    show(args, document, document["sessions"], columns)
    return DONE


def _group_named(fleet: run.Fleet, name: str, unknown: Exception) -> Mapping[str, Any]:
    """Return the evidence about a group; what was wrong with the meter where there is none."""
    from ingest.schema import UserError

    try:
        return run.group_warranty(fleet, name)
    except UserError:
        raise unknown from None


def _group_warranty(args: argparse.Namespace, document: Mapping[str, Any]) -> int:
    from dashboard import pdf

    for text in document["lacks"]:
        say(f"note: {text}")
    if args.out:
        print(run.write_document(args.out, pdf.claim_pdf(service.plain(document))))
        return DONE
    if args.format == "table":
        print(document["text"])
    columns = ("meter_id", "serial_number", "stated_accuracy_pct", "factory_slope_error_pct",
               "interval90_pct", "p_exceeds_stated", "warranty_until")  # fmt: skip
    show(args, document, document["meters"], columns)
    return DONE


def _handover(args: argparse.Namespace) -> int:
    document = run.handover(fleet_of(args), args.rider)
    if args.format == "table":
        print(document["text"])
    columns = ("meter_id", "serial_number", "return_by", "location", "gain_error_pct",
               "gain_error_sd_pct")  # fmt: skip
    show(args, document, document["to_return"], columns)
    return DONE


def _workshops(args: argparse.Namespace) -> int:
    document = run.workshops(fleet_of(args))
    for text in document["notes"]:
        say(f"note: {text}")
    columns = ("what", "name", "n_sessions", "difference_pct", "expanded_uncertainty_pct", "e_n",
               "agrees", "sd_pct", "interval90_pct")  # fmt: skip
    rows = [
        *({"what": "workshop", "name": row["workshop"]} | row for row in document["workshops"]),
        *(
            {"what": "traveller", "name": f"{row['meter_id']} at {row['workshop']}"} | row
            for row in document["travellers"]
        ),
        *({"what": "spread", "name": row["part"]} | row for row in document["parts"]),
    ]
    show(args, document, rows, columns)
    if args.format == "table":
        print(document["text"])
    return DONE
