"""Reports: other intervals, evidence for a claim, whether the workshops agree, the digest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time

import polars as pl

from ingest import load
from ingest.recordings import hours_ridden, recordings_folder
from models import ageing, budget, policies
from models import digest as news
from models.run.fleet_questions import StatusAnswer, status
from models.run.intake_questions import proposed_events, set_aside
from models.run.known import MANAGER, MECHANIC, Fleet, declared, question
from models.run.season_questions import plan, season
from models.season import SeasonAsk
from models.wording import NoAnswerError, Reason


@question(watts=False, place="long")
def intervals(fleet: Fleet) -> policies.IntervalsDocument:
    """Return the next bench visit of every meter by the interval methods of ILAC-G24 / OIML D 10,
    beside the due date."""
    ready = fleet.prepared
    found = ready.found
    here = found.meters.filter(~pl.col("gone"))
    use = hours_ridden(
        recordings_folder(fleet.store),
        ready.tables["meters"],
        ready.tables["references"],
        time_zone=ready.settings.time_zone,
    )
    table = policies.interval_table(
        found.sessions,
        found.course,
        here,
        today=found.as_of,
        target=ready.settings.reliability_target,
        use=use,
    )
    due = {row["meter_id"]: row["due_date"] for row in fleet.once(status)["meters"]}
    return policies.intervals_document(table, due, as_of=found.as_of)


@question(MECHANIC, MANAGER, watts=False, place="long")
def warranty(fleet: Fleet, meter_id: str) -> budget.WarrantyReport:
    """Return the evidence about a meter that may exceed the accuracy its maker states."""
    ready = fleet.prepared
    ready.known(meter_id)
    found = ready.found
    one = found.meters.filter(pl.col("meter_id") == meter_id)
    [excess] = budget.sensor_excess(ready.fleet, one, found.course, today=found.as_of)
    return budget.warranty_report(
        excess, one, found.sessions, events=found.events, today=found.as_of
    )


@question(MECHANIC, MANAGER, watts=False, place="model")
def group_warranty(fleet: Fleet, name: str) -> budget.GroupClaim:
    """Return the evidence about a group, or about the meters whose serials begin with a text."""
    ready = fleet.prepared
    found = ready.found
    return budget.group_claim(
        ready.fleet, found.meters, found.sessions, found.course, name=name, today=found.as_of
    )


@question(MECHANIC, MANAGER, watts=False, place="long")
def workshops(fleet: Fleet) -> ageing.WorkshopsDocument:
    """Return whether the workshops agree: variance parts and degrees of equivalence."""
    ready = fleet.prepared
    return {
        "as_of": ready.found.as_of,
        **ageing.workshops_document(ready.fleet, ready.found.sessions),
    }


@question(watts=False, place="long")
def digest(fleet: Fleet, since: date) -> news.DigestDocument:
    """Return what changed in the fleet since a day, and what to do in the week to come.

    Both days are answered as they could have been known on them.
    NoAnswerError where the day is not a past one, or the store holds no meters.
    """
    fleet.require()
    if since >= fleet.day:
        raise NoAnswerError(
            f"a digest goes from an earlier day to {fleet.day}; found {since}: name a day before it"
        )
    return fleet.kept(("digest", since), lambda: _digest(fleet, since))


def _digest(fleet: Fleet, since: date) -> news.DigestDocument:
    now, then = fleet.once(status), _as_known(fleet, since)
    changed = news.status_changes(now, then)
    asked = season(fleet)
    visits = plan(fleet, SeasonAsk(asked["first"], asked["last"]))["visits"]
    alarmed = [row["meter_id"] for row in changed if row["kind"] == "new_alarm" and row["meter_id"]]
    document: news.DigestDocument = {
        "since": since,
        "as_of": now["as_of"],
        "title": str(Reason("digest_title", since=since, as_of=now["as_of"])),
        "changed": changed,
        "to_do": news.tasks(now, now["race_eve"], visits, alarmed),
        "notices": news.notice_lines(now["notices"], since=since),
        "meters": news.standing_rows(now),
        "fit": now["fit"],
    }
    if "today_note" in now:
        document["today_note"] = now["today_note"]
    return document


def _as_known(fleet: Fleet, day: date) -> StatusAnswer | None:
    """Return the fleet's status of an earlier day; None where nothing was known yet."""
    fleet.say(f"looking back to {day}")
    try:
        return status(Fleet(fleet.store, day, fleet.say, fleet.person))
    except NoAnswerError:
        return None


@question(MECHANIC, MANAGER, watts=False)
def intake_news(fleet: Fleet, since: date) -> news.IntakeNews:
    """Return what was taken in, set aside and decided since a day (UTC), and what of it waits."""
    begun = datetime.combine(since, time(), UTC)
    log = load.imports(fleet.store).filter(
        (pl.col("loaded_at") >= begun) & pl.col("undone_at").is_null() & (pl.col("kind") == "load")
    )
    rows, aside = (int(log[name].sum()) for name in ("rows_loaded", "rows_set_aside"))
    with fleet.store.reading() as db:
        changes = db.frame("changes").filter(pl.col("changed_at") >= begun).sort("changed_at")
    return {
        "changed": [
            *news.decided_lines(changes.iter_rows(named=True)),
            *news.loaded_lines(log.height, rows, aside=aside),
        ],
        "to_do": [news.line(reason) for reason in _waiting(fleet)],
    }


def _waiting(fleet: Fleet) -> Iterator[Reason]:
    """Yield what waits for whoever asks."""
    if rows := set_aside(fleet):
        yield Reason("put_right", n=len(rows))
    about = declared(proposed_events)
    if about and about.allows(fleet.person) and (events := proposed_events(fleet)):
        yield Reason("decide_events", n=len(events))


@question(watts=False, place="model")
def concerns(fleet: Fleet, asked: Sequence[news.Concern]) -> news.ConcernsDocument:
    """Return the devices that are out, due or in alarm, as far as asked about."""
    now = fleet.once(status)
    return {"as_of": now["as_of"], "found": news.concerns_in(now, asked), "fit": now["fit"]}
