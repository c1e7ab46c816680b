"""Pins of the season's plan: meters whose bench visit a person has fixed to a week.

No estimate depends on them, so pinning does not make a fit stale.
"""

from collections.abc import Iterable
from datetime import date, timedelta

import polars as pl

from ingest.schema import PLAN_PINS
from ingest.store import Store, record

Pins = dict[str, tuple[date, ...]]


def pins(store: Store) -> Pins:
    """Return each meter's pinned weeks, by their Mondays."""
    if not store.exists():
        return {}
    with store.reading() as db:
        rows = db.frame("plan_pins").sort("meter_id", "week")
    return {
        str(meter): tuple(part["week"].to_list())
        for (meter,), part in rows.group_by("meter_id", maintain_order=True)
    }


def move_pins(
    store: Store, meter_id: str, *, away: Iterable[date] = (), to: Iterable[date] = ()
) -> None:
    """Unpin a meter from the weeks of the days `away` and pin it to those of the days `to`."""
    gone, new = _mondays(away), _mondays(to)
    before = pins(store).get(meter_id, ())
    after = tuple(sorted((set(before) - gone) | new))
    if after == before:
        return
    rows = pl.DataFrame(
        [{"meter_id": meter_id, "week": week} for week in after],
        schema=dict(PLAN_PINS.polars_schema),
    )
    with store.writing() as db:
        db.delete("plan_pins", "meter_id", [meter_id])
        db.insert("plan_pins", rows)
        record(db, "visits pinned", meter_id, before=_iso(before), after=_iso(after))


def _mondays(days: Iterable[date]) -> set[date]:
    return {day - timedelta(days=day.weekday()) for day in days}


def _iso(weeks: Iterable[date]) -> list[str]:
    return [week.isoformat() for week in weeks]
