"""Commands that tell those who should know: a check for cron, a digest for a mailer."""

import argparse
import sys
from datetime import datetime, timedelta

from dashboard import letter, security, service
from dashboard.cli.arguments import (
    DONE,
    DONE_BUT,
    PROVISIONAL,
    Words,
    day,
    fleet_of,
    say,
    show,
)
from models import run

A_WEEK = timedelta(days=7)


def add(words: Words) -> None:
    """Add these commands to the command line."""
    text = "end with 1 where a meter is out or due, or a device has an alarm"
    sub = words.add("check", _check, text, "store", "format", "as_of")
    sub.add_argument(
        "--fail-on", nargs="+", action="extend", required=True, choices=("out", "due", "alarm"),
        help="one or several",
    )  # fmt: skip

    text = "what changed, and what to do this week: one screen to read or to mail"
    sub = words.add("digest", _digest, text, "store", "as_of")
    sub.add_argument(
        "--since", type=day, metavar="DATE", help="what changed since; else a week before"
    )
    sub.add_argument(
        "--for", dest="reader", metavar="READER", help="a role, a coach or a rider by name"
    )
    sub.add_argument("--format", choices=("text", "html", "eml", "json"), default="text")


def _check(args: argparse.Namespace) -> int:
    document = run.concerns(fleet_of(args), args.fail_on)
    found, fit = document["found"], document["fit"]
    if fit["stale"]:
        say("note: rows came in after the fit that this rests on: slopewatch fit")
    if not fit["converged"]:
        say(f"note: {PROVISIONAL} ({fit['message']})")
    if args.format == "table":
        for row in found:
            print(f"{row['concern']:5}  {row['device']}  {row['text']}")
    else:
        shown = {"as_of": document["as_of"], "fail_on": args.fail_on, "found": found}
        show(args, shown, found, ("concern", "device", "text"))
    return DONE_BUT if found else DONE


def _digest(args: argparse.Namespace) -> int:
    fleet = fleet_of(args)
    fleet.require()
    reader = security.audience(fleet.store, args.reader, today=fleet.day)
    since = args.since or fleet.day - A_WEEK
    document = reader.ask(run.digest, fleet, since)
    news = reader.ask(run.intake_news, fleet, since) if reader.may(run.intake_news) else None
    if not document["fit"]["converged"]:
        say(f"note: {PROVISIONAL} ({document['fit']['message']})")
    if args.format == "json":
        print(service.to_json({**document, "intake": news}))
        return DONE
    written = letter.letter(document, news)
    if args.format == "eml":
        sys.stdout.flush()
        sys.stdout.buffer.write(letter.eml(written, at=datetime.now().astimezone()))
    else:
        made = letter.html_page if args.format == "html" else letter.plain_text
        print(made(written), end="")
    return DONE
