"""Commands that turn estimates into decisions."""

from __future__ import annotations

import argparse

from dashboard.commands import DONE, Words, notes, period, say, show, store_of


def add(words: Words) -> None:
    """Add these commands to the command line."""
    everything = ("store", "format", "as_of")
    sub = words.add("plan", _plan, "who goes to the bench when", *everything)
    period(sub)
    sub.add_argument("--slots-per-week", type=int, metavar="N")
    sub.add_argument("--pin", action="append", default=[], metavar="METER=WEEK")
    sub.add_argument("--calendar", action="store_true", help="print an iCalendar file instead")

    period(words.add("budget", _budget, "what the season costs", *everything))
    words.add("policies", _policies, "fixed intervals and ours, simulated", *everything)
    words.add("hindcast", _hindcast, "past forecasts against what was found", *everything)

    sub = words.add("effort", _effort, "what an errorless meter would have shown", *everything)
    sub.add_argument("efforts", nargs="+", metavar="DATE[Ttime],METER,WATTS[,SECONDS]")

    sub = words.add("correct", _correct, "the ledger of correction factors", *everything)
    who = sub.add_mutually_exclusive_group(required=True)
    who.add_argument("--meter", metavar="M")
    who.add_argument("--rider", metavar="R")
    period(sub)


def _plan(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.plan(
        store_of(args),
        args.first,
        args.last,
        slots_per_week=args.slots_per_week,
        pins=args.pin,
        as_of=args.as_of,
        say=say,
    )
    notes(document)
    if args.calendar:
        print(data.calendar_text(document), end="")
        return DONE
    columns = ("week", "meter_id", "p_within_tolerance_before", "deadline", "reason")
    show(args, document, document["visits"], columns)
    return DONE


def _budget(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.budget(store_of(args), args.first, args.last, as_of=args.as_of, say=say)
    notes(document)
    columns = ("meter_id", "cost", "interval90", "keep_or_replace", "reason")
    show(args, document, document["meters"], columns)
    low, high = document["interval90"]
    total, currency = document["total"], document["currency"] or ""
    say(f"total {total:.0f} {currency} (90 %: {low:.0f} to {high:.0f})")
    return DONE


def _policies(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.policies(store_of(args), as_of=args.as_of, say=say)
    columns = ("name", "visits_per_meter_year", "out_of_tolerance_share", "interval90")
    show(args, document, document["policies"], columns)
    return DONE


def _hindcast(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.hindcast(store_of(args), as_of=args.as_of, say=say)
    columns = (
        "date",
        "session_id",
        "meter_id",
        "forecast_pct",
        "forecast_sd_pct",
        "found_pct",
        "inside90",
    )
    show(args, document, document["sessions"], columns)
    say(f"{document['n']} sessions; the 90 % interval held {document['coverage90'] or 0:.0%}")
    return DONE


def _effort(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.effort(store_of(args), args.efforts, as_of=args.as_of, say=say)
    columns = ("date", "meter_id", "watts", "corrected_w", "interval90_w")
    show(args, document, document["efforts"], columns)
    if args.format == "table":
        for difference in document["differences"]:
            print(f"{difference['from']} → {difference['to']}: {difference['text']}")
    return DONE


def _correct(args: argparse.Namespace) -> int:
    from dashboard import data

    document = data.correct(
        store_of(args),
        args.first,
        args.last,
        meter_id=args.meter,
        rider_id=args.rider,
        as_of=args.as_of,
        say=say,
    )
    columns = ("meter_id", "rider_id", "from_date", "to_date", "factor", "interval90", "note")
    show(args, document, document["ledger"], columns)
    return DONE
