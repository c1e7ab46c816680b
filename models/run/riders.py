"""From a fit of the day to what a coach looks at: a rider's meters, their agreement, notices."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

from ingest.store import Store
from models import coaching
from models.run.fit_of_day import Prepared, seen_notices
from models.run.reports import notices_of

NOTICE_DAYS = 365


def rider_of(ready: Prepared, rider_id: str) -> coaching.RiderDocument:
    """One rider on a day; see `models.coaching.rider_view`.

    Out  periods (each with points and resets), bikes (pairs of the meters ridden that day),
         efforts, notices (of the last year)
    """
    found, today = ready.found, ready.found.as_of
    periods = coaching.riding_periods(
        ready.tables["assignments"],
        found.meters["meter_id"].to_list(),
        rider_id=rider_id,
        today=today,
    )
    now = [p["meter_id"] for p in periods if p["to_date"] is None or p["to_date"] >= today]
    told = notices_of(ready, today - timedelta(days=NOTICE_DAYS), today, {})
    return {
        "rider_id": rider_id,
        "as_of": today,
        "periods": [
            coaching.period_curve(ready.fleet, found.resets, period, today=today)
            for period in periods
        ],
        "bikes": coaching.between_meters(ready.fleet, list(dict.fromkeys(now)), on=today),
        "efforts": coaching.efforts_of(ready.tables["efforts"], rider_id=rider_id, today=today),
        "notices": [notice for notice in told if notice["rider_id"] == rider_id],
    }


def seen(store: Store) -> dict[str, coaching.Acknowledged]:
    """Who has acknowledged which notice, and when, by notice_id."""
    with store.reading() as db:
        return seen_notices(db)


def with_seen(
    rider: coaching.RiderDocument, known: Mapping[str, coaching.Acknowledged]
) -> coaching.RiderDocument:
    """A rider's document with who has acknowledged each notice."""
    acknowledged = coaching.acknowledged
    rows: list[coaching.NoticeRow] = [
        {**row, **acknowledged(known, row["notice_id"])} for row in rider["notices"]
    ]
    return {**rider, "notices": rows}
