"""Reports: what coaches are told, which rides are in doubt, intervals, warranty, handover."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from ingest.store import Store, record
from models.run.decisions import Period, correct_of
from models.run.fit_of_day import ACKNOWLEDGED, Prepared, Say, prepare, seen_notices
from models.wording import NothingToSayError, unknown_name

if TYPE_CHECKING:
    from models.budget import WarrantyReport
    from models.coaching import Acknowledged, AffectedDocument, HandoverDocument, NoticeRow
    from models.policies import IntervalsDocument

Document = dict[str, Any]


def notices(
    store: Store,
    *,
    first: date | None = None,
    last: date | None = None,
    as_of: date | None = None,
    say: Say | None = None,
) -> list[NoticeRow]:
    """Notices to coaches of a period (else of the last year), newest first, with who has
    acknowledged each."""
    ready = prepare(store, as_of=as_of, say=say)
    with store.reading() as db:
        seen = seen_notices(db)
    last = min(last or ready.found.as_of, ready.found.as_of)
    return notices_of(ready, first or last - timedelta(days=365), last, seen)


def notices_of(
    ready: Prepared, first: date, last: date, seen: Mapping[str, Acknowledged]
) -> list[NoticeRow]:
    """Notices of a period, with who has acknowledged each. seen: of `run_fit.seen_notices`."""
    from models.coaching import acknowledged
    from models.coaching import notices as told

    found = ready.found
    steps = found.zero_steps
    rows = told(ready.fleet, found.told, found.course, first=first, last=last, zero_steps=steps)
    return [{**row, **acknowledged(seen, row["notice_id"])} for row in rows]


def acknowledge(store: Store, notice_id: str) -> None:
    """Note that whoever is acting has read a notice; a second time changes nothing."""
    with store.writing() as db:
        if notice_id not in seen_notices(db):
            record(db, ACKNOWLEDGED, notice_id)


def affected(
    store: Store, meter_id: str, *, as_of: date | None = None, say: Say | None = None
) -> AffectedDocument:
    """Which rides each session that found a meter out puts in doubt, newest first."""
    from models.coaching import affected_rides

    ready = prepare(store, as_of=as_of, say=say)
    meter = _meter(ready, meter_id)
    rows = affected_rides(
        ready.fleet,
        ready.found.sessions,
        ready.tables,
        meter_id=meter_id,
        tolerance_pct=meter["tolerance_pct"],
        since=meter["in_service_on"],
    )
    none = f"No session has found {meter_id} beyond ± {meter['tolerance_pct']:g} %."
    return {"meter_id": meter_id, "found_out": rows, "text": rows[0]["text"] if rows else none}


def _meter(ready: Prepared, meter_id: str) -> dict[str, Any]:
    ready.known(meter_id)
    return ready.found.meters.filter(pl.col("meter_id") == meter_id).row(0, named=True)


def intervals(
    store: Store, *, as_of: date | None = None, say: Say | None = None
) -> IntervalsDocument:
    """The next bench visit of every meter by the interval methods of ILAC-G24 / OIML D 10, beside
    the due date."""
    from ingest.recordings import hours_ridden, recordings_folder
    from models.policies import interval_table, intervals_document
    from models.run import questions

    ready = prepare(store, as_of=as_of, say=say)
    found = ready.found
    here = found.meters.filter(~pl.col("gone"))
    use = hours_ridden(
        recordings_folder(store),
        ready.tables["meters"],
        ready.tables["references"],
        time_zone=ready.settings.time_zone,
    )
    table = interval_table(
        found.sessions,
        found.course,
        here,
        today=found.as_of,
        target=ready.settings.reliability_target,
        use=use,
    )
    status = questions.status(store, as_of=as_of, say=say)
    due = {row["meter_id"]: row["due_date"] for row in status["meters"]}
    return intervals_document(table, due, as_of=found.as_of)


def warranty(
    store: Store, meter_id: str, *, as_of: date | None = None, say: Say | None = None
) -> WarrantyReport:
    """The evidence about a meter that may exceed the accuracy its maker states."""
    from models.budget import sensor_excess, warranty_report

    ready = prepare(store, as_of=as_of, say=say)
    ready.known(meter_id)
    found = ready.found
    one = found.meters.filter(pl.col("meter_id") == meter_id)
    [excess] = sensor_excess(ready.fleet, one, found.course, today=found.as_of)
    return warranty_report(excess, one, found.sessions, events=found.events, today=found.as_of)


def handover(
    store: Store, rider_id: str, *, as_of: date | None = None, say: Say | None = None
) -> HandoverDocument:
    """What a leaving rider hands back, and what the numbers need to go on."""
    from models.coaching import handover_report

    ready = prepare(store, as_of=as_of, say=say)
    mine = ready.tables["assignments"].filter(pl.col("rider_id") == rider_id)
    begun = [day for day in mine["from_date"].to_list() if day <= ready.found.as_of]
    if not begun:
        riders = ready.tables["assignments"]["rider_id"].drop_nulls().unique().sort().to_list()
        if not riders:
            raise NothingToSayError("no assignments: load a table that says who rides what")
        raise NothingToSayError(unknown_name(rider_id, riders, what="rider"))
    first, today = min(begun), ready.found.as_of
    ledger = correct_of(ready, Period(first, today, rider_id=rider_id))
    return handover_report(
        ready.fleet,
        ready.tables,
        ready.found.meters,
        ledger["ledger"],
        rider_id=rider_id,
        told=notices_of(ready, first, today, {}),
        today=today,
    )


__all__ = ["acknowledge", "affected", "handover", "intervals", "notices", "warranty"]


def workshops(store: Store, *, as_of: date | None = None, say: Say | None = None) -> Document:
    """Whether the workshops agree: variance parts and degrees of equivalence."""
    from models.ageing import workshops_document

    ready = prepare(store, as_of=as_of, say=say)
    return {"as_of": ready.found.as_of} | workshops_document(ready.fleet, ready.found.sessions)
