"""What the season and budget pages ask: who comes when, what it costs, what other ways would."""

import pickle
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, NotRequired, TypedDict, cast

import numpy as np
import polars as pl

from ingest.admin import Pins, move_pins, pins
from ingest.load import commit_tables, take_back
from ingest.schema import in_force
from models.budget import BudgetDocument, DaysWithMishaps, GroupDue
from models.metrology import DAYS_A_YEAR
from models.policies import PoliciesDocument
from models.run.documents import Noted
from models.run.fleet_questions import status
from models.run.known import MANAGER, MECHANIC, Fleet, change, question
from models.season import BenchListRow, IdlePin, PlanDocument, monday_of, pins_in_force
from models.season import SeasonAsk as SeasonAsk
from models.season import parse_pins as parse_pins
from models.wording import NoAnswerError

if TYPE_CHECKING:
    from models.budget import OwnMishaps

ENTERED = ("calendar", "capacity")
RACES = {"race A": "A", "race B": "B", "race C": "C"}
KINDS = (*RACES, "camp", "test", "closed")
SEED = 20260930  # of simulated answers, so that asking twice gives the same
WITHOUT_CALENDAR = timedelta(weeks=26)
SHORTEST, LONGEST = timedelta(weeks=12), timedelta(weeks=52)


class SeasonAnswer(TypedDict):
    """The day it is, and the period to plan unless told otherwise; empty: there is no fleet."""

    empty: bool
    as_of: date
    today_note: NotRequired[str | None]
    first: NotRequired[date]
    last: NotRequired[date]


class CalendarEntry(TypedDict):
    """A row of the calendar."""

    name: str
    from_date: date
    to_date: date
    kind: str
    priority: str | None
    rider_id: str | None


class PinnedWeeks(TypedDict):
    """The Mondays of the weeks that a meter is pinned to."""

    meter_id: str
    weeks: list[date]


class PlanAnswer(PlanDocument):
    """A plan, with the calendar's entries and the pins of its period.

    with_mishaps: the days out of tolerance that it leaves, mishaps among them; None for a coach,
    whose own meters are too few to tell how often they happen
    """

    with_mishaps: DaysWithMishaps | None
    events: list[CalendarEntry]
    pins: Pins
    kept_pins: Pins
    idle_pins: list[IdlePin]


class BudgetAnswer(BudgetDocument):
    """A budget, with the tolerance and the target that hold unless asked otherwise.

    due: when each group's own meters are due, by their own sessions
    """

    kept_tolerance_pct: float
    kept_target: float
    due: list[GroupDue]


@question(watts=False)
def season(fleet: Fleet) -> SeasonAnswer:
    """Return the day it is, the period to plan unless told otherwise, whether there is a fleet."""
    if fleet.is_empty:
        return {"empty": True, "as_of": fleet.as_of or date.today()}
    with fleet.store.reading() as db:
        calendar, own = db.frame("calendar"), db.setting("today")
    day = fleet.day
    note = f"Today is {own}, the last day of these data." if own and not fleet.as_of else None
    return {
        "empty": False,
        "as_of": day,
        "today_note": note,
        "first": day,
        "last": _last_race(calendar, day),
    }


@question(watts=False, place="long")
def plan(fleet: Fleet, asked: SeasonAsk) -> PlanAnswer:
    """Return the `plan` document: who goes to the bench when.

    What was pinned on the season page stays where it was pinned, beside the pins asked for.
    Beside the contract's keys: events (the calendar's), pins (the weeks that each meter is pinned
    to), idle_pins (pins that this period cannot keep), target, as_of
    """
    return fleet.kept(("plan", pickle.dumps(asked)), lambda: _planned(fleet, asked))


def _planned(fleet: Fleet, asked: SeasonAsk) -> PlanAnswer:
    from models.budget import days_with_mishaps
    from models.season import plan_document

    ready, kept = fleet.prepared, pins(fleet.store)
    today = ready.found.as_of
    held, idle = pins_in_force(kept, ready.found.meters, asked, today=today)
    fleet.say("weighing every visit against every other")
    document = plan_document(
        ready.found, ready.fleet, ready.tables, ready.settings, asked.with_pins(held)
    )
    ahead = (asked.last - max(asked.first, today)).days / DAYS_A_YEAR
    rng = np.random.default_rng(SEED)
    struck = days_with_mishaps(document, _own_mishaps(fleet), ahead, rng)
    return {
        **document,
        "with_mishaps": struck,
        "events": _events(ready.tables["calendar"], max(asked.first, today), asked.last),
        "pins": kept,
        "kept_pins": held,
        "idle_pins": idle,
        "as_of": today,
    }


def _own_mishaps(fleet: Fleet) -> "OwnMishaps":
    """Return what happened to the team's own meters, as the records and alarms tell."""
    from models.budget import OwnMishaps, meter_years, recorded_from
    from models.doubts import days_caused

    found = fleet.prepared.found
    happened = days_caused(found, fleet.prepared.fleet, fleet.prepared.tables)
    return OwnMishaps(
        years=sum(meter_years(found).values()),
        recorded=(found.as_of - recorded_from(found)).days / DAYS_A_YEAR,
        days=np.array([days for _, days in happened]),
        ago=np.array([(found.as_of - begun).days / DAYS_A_YEAR for begun, _ in happened]),
    )


@question(MECHANIC, MANAGER, watts=False, place="long")
def plan_calendar(fleet: Fleet, asked: SeasonAsk) -> str:
    """Return the plan's visits as an iCalendar file."""
    from models.season import calendar_text

    return calendar_text(plan(fleet, asked), stamp=datetime.now(UTC))


@question(MECHANIC, MANAGER, watts=False, place="long")
def bench_list(
    fleet: Fleet,
    asked: SeasonAsk,
    week: date,
    *,
    bench_id: str | None = None,
    place_id: str | None = None,
) -> list[BenchListRow]:
    """Return what the mechanic needs on the spot in the week of a day: a row a planned visit.

    bench_id, place_id: the mass set and the place, where not each meter's usual ones
    """
    from models.season import bench_list as rows

    tables = fleet.tables
    for table, column, wanted in (
        ("mass_sets", "bench_id", bench_id),
        ("places", "place_id", place_id),
    ):
        known = tables[table][column].to_list()
        if wanted is not None and wanted not in known:
            listed = ", ".join(known) or "none"
            raise NoAnswerError(f'found {column} "{wanted}", expected one of: {listed}')
    actions = {row["meter_id"]: row["next_action"] for row in fleet.once(status)["meters"]}
    return rows(
        plan(fleet, asked),
        tables,
        week=week,
        bench_id=bench_id,
        place_id=place_id,
        actions=actions,
    )


@change("visits pinned", MECHANIC, MANAGER)
def move_visit(
    fleet: Fleet,
    meter_id: str,
    away: date | None = None,
    to: date | None = None,
    keep: Sequence[date] = (),
) -> PinnedWeeks:
    """Unpin a meter's visit from one week, pin it to another, or both; days name weeks.

    keep: weeks of its other visits: a pinned meter comes in its pinned weeks only

    Return meter_id, weeks (the Mondays it is pinned to now).
    """
    if to is not None and to < monday_of(fleet.day):
        raise NoAnswerError(
            f"The week of {to} is past: pin {meter_id} to this week or a later one."
        )
    before, after = [away] if away else [], [to, *keep] if to else []
    move_pins(fleet.store, meter_id, away=before, to=after)
    return {"meter_id": meter_id, "weeks": list(pins(fleet.store).get(meter_id, ()))}


@change("calendar entered", MANAGER)
def note_calendar(fleet: Fleet, what: str, name: str, first: str, last: str) -> Noted:
    """Enter a race, a camp, a test or a closure of the whole team; what: one of KINDS.

    The same name and first day change an entry that there is.
    """
    if what not in KINDS:
        raise NoAnswerError(f'found "{what}", expected one of: {", ".join(KINDS)}')
    if not name.strip():
        raise NoAnswerError("found nothing, expected the name of the race, camp or closure")
    kind = "race" if what in RACES else what
    row = {"name": name.strip(), "kind": kind, "priority": RACES.get(what)}
    return _noted(fleet, "calendar", [row], first, last)


@change("capacity entered", MANAGER)
def note_capacity(
    fleet: Fleet, slots: float | None, first: str, last: str, workshop: str | None = None
) -> Noted:
    """Enter how many bench sessions fit in a week of a period, at a workshop; 0: the crew is away.

    Without a workshop it is the one that the period's capacity names, and 0 is for all of them.
    The same workshop and first day change an entry that there is.
    """
    if slots is None or slots < 0:
        raise NoAnswerError("found no number of slots, expected 0 or more a week")
    named = (workshop or "").strip()
    places = [named] if named else _workshops(fleet, first, last)
    if len(places) > 1 and slots > 0:
        known = ", ".join(place or "one without a name" for place in places)
        raise NoAnswerError(f"found no workshop, expected which of them: {known}")
    rows = [{"slots": float(slots), "workshop": place} for place in places]
    return _noted(fleet, "capacity", rows, first, last)


def _workshops(fleet: Fleet, first: str, last: str) -> list[str | None]:
    """Return the workshops that have capacity in a period; one without a name where none has."""
    with fleet.store.reading() as db:
        rows = db.frame("capacity").filter(in_force(_day(first), _day(last)))
    return rows["workshop"].unique(maintain_order=True).to_list() or [None]


@change("season entry taken back", MANAGER)
def take_back_calendar(fleet: Fleet, import_ids: list[int]) -> None:
    """Take back what one of the questions above wrote, the newest first."""
    for import_id in sorted(import_ids, reverse=True):
        take_back(fleet.store, import_id, tables=ENTERED)


def _noted(
    fleet: Fleet, table: str, rows: Sequence[Mapping[str, object]], first: str, last: str
) -> Noted:
    begin, end = _day(first), _day(last)
    if end < begin:
        raise NoAnswerError(f"it ends on {end}, before it begins on {begin}: turn them round")
    entries = [{**row, "from_date": first, "to_date": last} for row in rows]
    made = commit_tables(fleet.store, [(table, entries)], name=f"{table} from the season page")
    return {"import_ids": list(made), "tables": [table]}


def _day(on: str) -> date:
    try:
        return date.fromisoformat(on)
    except ValueError:
        raise NoAnswerError(f'found "{on}", expected a day such as 2026-05-20') from None


def _last_race(calendar: pl.DataFrame, today: date) -> date:
    """Return the end of the last race within a year: what a plan reaches to."""
    ahead = calendar.filter(
        pl.col("kind").eq_missing("race")
        & (pl.col("from_date") >= today)
        & (pl.col("from_date") <= today + LONGEST)
    )
    last = ahead["to_date"].max() if ahead.height else None
    if not isinstance(last, date):
        return today + WITHOUT_CALENDAR
    return max(today + SHORTEST, min(last, today + LONGEST))


def _events(calendar: pl.DataFrame, first: date, last: date) -> list[CalendarEntry]:
    rows = calendar.filter(in_force(monday_of(first), last)).sort("from_date", "name").to_dicts()
    return cast("list[CalendarEntry]", rows)


@question(MANAGER, watts=False, place="long")
def budget(fleet: Fleet, asked: SeasonAsk) -> BudgetAnswer:
    """Return the `budget` document of a period, pinned visits kept.

    Beside the contract's keys: groups (how each ages), kept_tolerance_pct and kept_target (what
    holds unless asked otherwise)
    """
    from models.budget import budget_document

    ready = fleet.prepared
    fleet.say("planning the season and pricing it")
    today = ready.found.as_of
    held, _ = pins_in_force(pins(fleet.store), ready.found.meters, asked, today=today)
    document = budget_document(
        ready.found,
        ready.fleet,
        ready.tables,
        ready.settings,
        asked.with_pins(held),
        population=ready.population,
        mishaps=_own_mishaps(fleet),
        rng=np.random.default_rng(SEED),
    )
    return {
        **document,
        "kept_tolerance_pct": ready.settings.tolerance_pct,
        "kept_target": ready.settings.reliability_target,
        "due": _due(fleet),
    }


def _due(fleet: Fleet) -> list[GroupDue]:
    known = fleet.once(status)
    rows: list[GroupDue] = []
    for group in sorted({row["group"] for row in known["meters"]}):
        days = [row["due_date"] for row in known["meters"] if row["group"] == group]
        ahead = sorted((day - known["as_of"]).days / DAYS_A_YEAR for day in days if day)
        rows.append({"group": group, "years": ahead, "later": sum(day is None for day in days)})
    return rows


@question(MANAGER, watts=False, place="long")
def policies(fleet: Fleet, *, tolerance_pct: float | None = None) -> PoliciesDocument:
    """Return the `policies` document. What if: tolerance_pct for every meter, not its own."""
    from models.budget import mishaps_of, policy_record
    from models.policies import policies_document
    from models.season import prices, supposing

    ready = fleet.prepared
    today = ready.found.as_of
    supposed = supposing(ready.found, SeasonAsk(today, today, tolerance_pct=tolerance_pct))
    kept = supposed.meters.filter(~pl.col("gone"))
    if kept.is_empty():
        raise NoAnswerError("no meter is in use: there is nothing to compare policies on")
    money = prices(ready.tables["costs"], kept["group"].to_list())
    fleet.say("simulating seasons of fleets like this one")
    return policies_document(
        ready.fleet,
        kept,
        ready.found.data,
        money=money,
        rng=np.random.default_rng(SEED),
        record=policy_record(supposed, ready.fleet, ready.tables),
        mishaps=mishaps_of(supposed, ready.fleet),
        workers=fleet.workers,
    )
