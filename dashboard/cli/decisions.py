"""Commands that turn estimates into decisions."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from dashboard import service
from dashboard.cli.arguments import DONE, UsageError, Words, day, fleet_of, notes, period, say, show
from models import run

EVERYTHING = ("store", "format", "as_of")
SHARED = (*EVERYTHING, "cluster")
EFFORT = "DATE[Ttime],METER,WATTS[,SECONDS][,zeroed=yes|no][,cadence=RPM][,temperature=C]"


def add(words: Words) -> None:
    """Add these commands to the command line."""
    sub = words.add("plan", _plan, "who goes to the bench when", *EVERYTHING)
    _season(sub)
    sub.add_argument("--pin", action="append", default=[], metavar="METER=WEEK")
    sub.add_argument("--calendar", action="store_true", help="print an iCalendar file instead")
    sub.add_argument(
        "--bench-list", type=day, metavar="DATE", help="print what the mechanic needs that day"
    )
    sub.add_argument("--bench", metavar="BENCH", help="the mass set of the bench list")
    sub.add_argument("--place", metavar="PLACE", help="the place of the bench list")

    _season(words.add("budget", _budget, "what the season costs", *EVERYTHING))
    sub = words.add("policies", _policies, "fixed intervals and ours, simulated", *SHARED)
    _tolerance(sub)
    words.add("hindcast", _hindcast, "past forecasts against what was found", *SHARED)

    sub = words.add("effort", _effort, "what an errorless meter would have shown", *EVERYTHING)
    sub.add_argument("efforts", nargs="+", metavar=EFFORT)
    sub.add_argument(
        "--carry-to",
        action="append",
        default=[],
        metavar="METER",
        help="what the same watts show on this meter today",
    )

    sub = words.add("correct", _correct, "the ledger of correction factors", *EVERYTHING)
    who = sub.add_mutually_exclusive_group(required=True)
    who.add_argument("--meter", metavar="M")
    who.add_argument("--rider", metavar="R")
    period(sub)
    sub.add_argument("--recordings", type=Path, metavar="FOLDER", help="recordings to correct")
    sub.add_argument("--out", type=Path, metavar="FOLDER", help="where their summaries go")


def _season(sub: argparse.ArgumentParser) -> None:
    period(sub)
    sub.add_argument(
        "--slots-per-week", type=int, metavar="N", help="else from the capacity table, else 4"
    )
    _tolerance(sub)
    sub.add_argument("--target", type=float, metavar="P", help="what if: a share such as 0.95")
    sub.add_argument("--visits", type=int, metavar="N", help="what if: at most N visits")
    sub.add_argument("--spend", type=float, metavar="MONEY", help="what if: visits for that much")
    sub.add_argument(
        "--tolerance-of",
        action="append",
        default=[],
        metavar="ROLE=PCT",
        help="what if: of meters by what they are ridden for: race, spare, training, home",
    )


def _tolerance(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "--tolerance", type=float, metavar="PCT", help="what if: for every meter, not its own"
    )


def _asked(args: argparse.Namespace, *pins: str) -> run.SeasonAsk:
    return run.SeasonAsk(
        args.first,
        args.last,
        args.slots_per_week,
        run.parse_pins(pins),
        tolerance_pct=args.tolerance,
        target=args.target,
        visits=args.visits,
        spend=args.spend,
        roles=dict(map(_of_role, args.tolerance_of)),
    )


def _of_role(text: str) -> tuple[str, float]:
    """Return a role and its tolerance, given as race=1.0."""
    role, _, pct = text.partition("=")
    try:
        return role, float(pct)
    except ValueError:
        raise UsageError(f'found --tolerance-of "{text}", expected one such as race=1.0') from None


def _plan(args: argparse.Namespace) -> int:
    if (args.bench or args.place) and args.bench_list is None:
        raise UsageError("--bench and --place say what a bench list uses: add --bench-list DATE")
    fleet, asked = fleet_of(args), _asked(args, *args.pin)
    document = run.plan(fleet, asked)
    if document["kept_pins"]:
        pinned = document["kept_pins"].items()
        weeks = ", ".join(f"{meter} {day}" for meter, days in pinned for day in days)
        say(f"pinned on the season page: {weeks}")
    notes(document)
    if args.calendar:
        print(run.plan_calendar(fleet, asked), end="")
    elif args.bench_list is not None:
        _bench_list(args, fleet, asked)
    else:
        columns = ("week", "meter_id", "rider_id", "p_within_tolerance_before", "deadline",
                   "reason")  # fmt: skip
        show(args, document, document["visits"], columns)
        _say_unplanned(args, document)
    return DONE


def _say_unplanned(args: argparse.Namespace, document: Mapping[str, Any]) -> None:
    if args.format != "table":
        return
    worst = [row for row in document["unplanned"] if row.get("no_slot")]
    for row in worst:
        say(f"no slot for {row['meter_id']}: {row['reason']}")
    rest = len(document["unplanned"]) - len(worst)
    days, cost = document["days_out_of_tolerance"], document["cost"]
    unit = cost["currency"] or ""
    say(
        f"{len(document['visits'])} visits; {rest} meters need none (see --format json). Days "
        f"ridden out of tolerance: {days['plan']:.1f}{_mishaps_too(document['with_mishaps'])}, "
        f"without visits {days['without_visits']:.1f}. Cost with risk: {cost['plan']:.0f} {unit}, "
        f"without visits {cost['without_visits']:.0f} {unit}".rstrip()
    )


def _mishaps_too(struck: Mapping[str, Any] | None) -> str:
    if not struck:
        return ""
    low, high = struck["interval90"]
    told = f"{struck['days']:.0f}; 90 %: {low:.0f} to {high:.0f}"
    return f" (with mishaps at the team's own rates {told})"


def _bench_list(args: argparse.Namespace, fleet: run.Fleet, asked: run.SeasonAsk) -> None:
    rows = run.bench_list(fleet, asked, args.bench_list, bench_id=args.bench, place_id=args.place)
    columns = (
        "meter_id", "rider_id", "bike_id", "crank_length_mm", "bench_id", "mass_kg",
        "expected_torque_nm", "lowest_nm", "highest_nm", "tolerance_pct", "slope_convention",
        "slope", "slope_left", "slope_right", "large_ring", "small_ring", "why", "next_action",
    )  # fmt: skip
    show(args, {"week_of": args.bench_list, "rows": rows}, rows, columns)
    for text in dict.fromkeys(text for row in rows for text in row["lacks"]):
        say(f"note: {', '.join(r['meter_id'] for r in rows if text in r['lacks'])}: {text}")
    if not rows:
        say(f"nobody is planned for the bench in the week of {args.bench_list}")
    elif args.format == "table":
        say(
            "Lift with two hands or two people, keep feet from under the masses, brake locked; "
            "the maker's instructions and the workshop's rules go first."
        )


def _budget(args: argparse.Namespace) -> int:
    document = run.budget(fleet_of(args), _asked(args))
    notes(document)
    columns = ("meter_id", "cost", "interval90", "verdict", "reason")
    show(args, document, document["meters"], columns)
    if args.format == "table":
        _print_tables(document)
    for claim in document["warranty"]:
        say(claim["text"])
    low, high = document["interval90"]
    total, currency = document["total"], document["currency"] or ""
    say(f"total {total:.0f} {currency} (90 %: {low:.0f} to {high:.0f})")
    return DONE


def _print_tables(document: Mapping[str, Any]) -> None:
    print()
    print(service.to_table(document["by_item"], ("item", "cost", "interval90")))
    choices = ("name", "visits", "cash", "days_out", "interval90", "risk")
    print(service.to_table(document["choices"], choices))
    print()
    for row in document["beside"]:
        before = ", ".join(_past(one) for one in row["before"])
        ahead = _past({**row, "from": document["from"]})
        print(f"{row['what']}: {before}; now {ahead}. {row['why']}")
    print()
    columns = (
        "group", "meters", "sessions", "drift_pct_per_year", "drift_interval90", "found_out",
        "out_share", "out_share_interval90", "reliable_years", "reliable_years_interval90",
    )  # fmt: skip
    print(service.to_table(document["groups"], columns))


def _past(one: Mapping[str, Any]) -> str:
    """Return what a season held, from the year it began in: 2025: 150, 9000."""
    numbers = [f"{value:.0f}" for value in (one["n"], one["money"]) if value is not None]
    return f"{one['from'].year}: {', '.join(numbers)}"


def _policies(args: argparse.Namespace) -> int:
    document = run.policies(fleet_of(args), tolerance_pct=args.tolerance)
    notes(document)
    columns = ("name", "visits_per_meter_year", "out_of_tolerance_share", "interval90")
    show(args, document, document["policies"], columns)
    if args.format == "table" and document["text"]:
        say(document["text"])
        record = document["record"]
        if record:
            say(
                f"last year: {record['visits_per_meter_year']:.1f} visits a meter, "
                f"{100 * record['out_of_tolerance_share']:.1f} % of days ridden out of tolerance"
            )
        say(f"{document['simulated']} {document['not_simulated']}".strip())
        for world in document["elsewhere"]:
            say(
                f"where {world['said']}: cheapest {world['cheapest']}; planning at least cost "
                f"leaves {100 * world['planned_out_share']:.1f} % of days out of tolerance and "
                f"costs {world['planned_costs_more']:.1f} a meter and year more"
            )
    return DONE


def _hindcast(args: argparse.Namespace) -> int:
    document = run.hindcast(fleet_of(args))
    columns = (
        "date", "session_id", "meter_id", "forecast_pct", "forecast_sd_pct", "found_pct",
        "inside90",
    )  # fmt: skip
    show(args, document, document["sessions"], columns)
    say(document["text"])
    return DONE


def _effort(args: argparse.Namespace) -> int:
    document = run.effort(
        fleet_of(args), [run.effort_ask(text) for text in args.efforts], carry_to=args.carry_to
    )
    columns = ("date", "meter_id", "watts", "corrected_w", "interval90_w", "rider_w",
               "rider_interval90_w")  # fmt: skip
    show(args, document, document["efforts"], columns)
    if args.format == "table":
        for difference in document["differences"]:
            pair = [document["efforts"][difference[end]] for end in ("from", "to")]
            told = " → ".join(f"{one['date']} on {one['meter_id']}" for one in pair)
            print(f"{told}: {difference['text']}")
        for text in [document["text"], *(row["text"] for row in document["carried"])]:
            if text:
                print(text)
    notes(document)
    return DONE


def _correct(args: argparse.Namespace) -> int:
    if (args.recordings is None) != (args.out is None):
        raise UsageError("--recordings FOLDER and --out FOLDER go together")
    fleet = fleet_of(args)
    document = run.ledger(fleet, args.first, args.last, meter_id=args.meter, rider_id=args.rider)
    notes(document)
    shown: Mapping[str, Any] = document
    for text in document["warnings"]:
        say(f"corrected twice? {text}")
    if args.recordings is not None:
        _, written = run.correct_recordings(
            fleet, document, recordings=args.recordings, out=args.out
        )
        shown = {**document, "recordings": written}
        for row in written["without"]:
            say(f"{row['path']}: left as it is, {row['note']}")
        say(
            f"{written['corrected']} of {written['files']} recordings corrected in "
            f"{written['file']}; the recordings themselves are untouched"
        )
    columns = ("meter_id", "rider_id", "from_date", "to_date", "factor", "interval90",
               "rider_factor", "rider_interval90", "note")  # fmt: skip
    show(args, shown, document["ledger"], columns)
    return DONE
