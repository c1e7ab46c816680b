"""Reports: what is in doubt, other intervals, claims, whether the workshops agree, the digest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time

import polars as pl

from ingest import load
from ingest.recordings import hours_ridden, recordings_folder
from models import ageing, budget, coaching, doubts, policies
from models import digest as news
from models.run.fleet_questions import StatusAnswer, status
from models.run.intake_questions import proposed_events, set_aside
from models.run.known import COACH, MANAGER, MECHANIC, Fleet, Prepared, declared, question
from models.run.rider_questions import assigned, road_of
from models.run.season_questions import plan, season
from models.season import SeasonAsk
from models.wording import NoAnswerError, Reason, chance, unknown_name


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


@question(COACH, place="model")
def doubtful(fleet: Fleet, *, rider_id: str | None = None) -> doubts.DoubtsDocument:
    """Return the stretches in which riders' watts are in doubt, the newest first; of one rider."""
    ready = fleet.prepared
    riders = assigned(ready)
    if rider_id is not None and riders and rider_id not in riders:
        raise NoAnswerError(unknown_name(rider_id, riders, what="rider"))
    rows = [row for row in _all_doubts(fleet) if rider_id in (None, row["rider_id"])]
    return _doubts_document(ready, rows)


def _all_doubts(fleet: Fleet) -> list[doubts.Doubt]:
    """Return the stretches of all riders."""
    spans = [span for span in _spans_of(fleet.prepared) if span.rider_id is not None]
    return fleet.kept("doubts", lambda: _stretches(fleet, spans))


def _spans_of(
    ready: Prepared, *, meter_id: str | None = None, rider_id: str | None = None
) -> list[coaching.Span]:
    """Return who rode what up to the day, from each meter's first day in service on."""
    service = dict(ready.found.meters.select("meter_id", "in_service_on").iter_rows())
    today = ready.found.as_of
    spans = coaching.ridden(
        ready.tables["assignments"],
        first=service[meter_id] if meter_id else min(service.values(), default=today),
        last=today,
        meter_id=meter_id,
        rider_id=rider_id,
    )
    known = [span for span in spans if span.meter_id in service]
    begun = [replace(span, first=max(span.first, service[span.meter_id])) for span in known]
    return [span for span in begun if span.first <= span.last]


def _stretches(
    fleet: Fleet, spans: Sequence[coaching.Span], *, legs: bool = True
) -> list[doubts.Doubt]:
    ready = fleet.prepared
    found, settings = ready.found, fleet.settings
    limits = dict(found.meters.select("meter_id", "tolerance_pct").iter_rows())
    judged = doubts.Judged(limits, settings.reliability_target, found.as_of, legs)
    past = fleet.kept("past", lambda: doubts.past_of(found, ready.fleet))
    return doubts.doubts_of(road_of(ready), spans, past, judged)


def _doubts_document(ready: Prepared, rows: list[doubts.Doubt]) -> doubts.DoubtsDocument:
    last = sum(row["ending"] == "lasts" for row in rows)
    told = Reason("doubts_last", n=last, all=len(rows)) if rows else Reason("no_doubt")
    return {"as_of": ready.found.as_of, "doubts": rows, "text": str(told)}


@question(MECHANIC, COACH, place="long")
def affected(fleet: Fleet, meter_id: str) -> doubts.AffectedDocument:
    """Return when a meter was in doubt, the newest first, and what each session that found it out
    puts in doubt; riders' legs left out."""
    ready = fleet.prepared
    meter = ready.meter(meter_id)
    rows = doubts.affected_rides(
        ready.fleet,
        ready.found.sessions,
        ready.tables,
        meter_id=meter_id,
        tolerance_pct=meter["tolerance_pct"],
        since=meter["in_service_on"],
    )
    stretches = _stretches(fleet, _spans_of(ready, meter_id=meter_id), legs=False)
    lasting = [row["text"] for row in doubts.lasting(stretches)[:1]]
    none = f"No session has found {meter_id} beyond ± {meter['tolerance_pct']:g} %."
    said = [rows[0]["text"], *lasting] if rows else [*lasting, none]
    return {
        "as_of": ready.found.as_of,
        "meter_id": meter_id,
        "doubts": stretches,
        "found_out": rows,
        "text": " ".join(said) + _today(fleet, meter_id),
    }


def _today(fleet: Fleet, meter_id: str) -> str:
    """Return a warning where a meter is out or may be today, whatever its sessions found."""
    rows = fleet.once(status)["meters"]
    row = next((row for row in rows if row["meter_id"] == meter_id), None)
    p = row["p_within_tolerance"] if row else None
    if row is None or p is None or row["status"] not in ("out", "due"):
        return ""
    return (
        f" That clears no ride: today the chance that it is within tolerance is {chance(p)}. Its "
        "rides since the last good session are in doubt until it has been on the bench."
    )


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
