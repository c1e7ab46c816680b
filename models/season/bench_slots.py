"""How many visits the bench can take in each week."""

from datetime import date, timedelta

import numpy as np
import polars as pl

from ingest.schema import in_force
from models.metrology import Index, Mask
from models.season.exposure_cost import days_between, days_of_kind

USUAL_SLOTS = 4  # a week, where nothing is known
WORKING_DAYS = 5  # Monday to Friday
AWAY = ("race", "camp", "closed")  # kinds of the calendar that take the crew along


def slots_of(
    mondays: list[date],
    capacity: pl.DataFrame,
    calendar: pl.DataFrame,
    *,
    fixed: int | None,
    first: date | None = None,
    held: int = 0,
) -> tuple[Index, tuple[bool, ...], list[str]]:
    """Return the visits that fit in each week [W], which weeks are closed, what was assumed.

    In   capacity, calendar: the tables; fixed: slots of every week instead of the capacity's;
         first: the first day that can be planned (else the first Monday); held: sessions held in
         its week before that
    The slots of a week are the fewest of any of its working days that a capacity row covers; of
    each workshop the row that began last counts, and workshops add up. A week whose Monday no
    row covers has none, nor has one that a closed period of the whole team touches. Days of its
    races and camps take their part of a week's slots away, rounded to whole visits; slots that
    were asked for stay. Of a week that has begun the days that are left have their part.
    """
    lacks = []
    closed = tuple(bool(_days(monday, calendar, ("closed",)).any()) for monday in mondays)
    known = fixed is None
    if fixed is None and capacity.is_empty():
        lacks.append(f"no capacity table: {USUAL_SLOTS} bench slots a week are assumed")
        fixed = USUAL_SLOTS
    begun = max(0, (first - mondays[0]).days) if first else 0
    usual = [
        _slots_in(monday, capacity, 0 if week else begun) if fixed is None else fixed
        for week, monday in enumerate(mondays)
    ]
    home = np.array([~_days(monday, calendar, AWAY)[:WORKING_DAYS] for monday in mondays])
    if not known:
        home[:] = True
    slots = np.floor(np.array(usual) * home.mean(axis=1) + 0.5)
    if begun:
        slots[0] = _left(usual[0], home[0], begun, held)
    return np.where(closed, 0, slots).astype(np.int64), closed, lacks


def _left(slots: float, home: Mask, begun: int, held: int) -> float:
    """Return the whole visits that fit in the rest of a week of which some days are past."""
    rest = np.floor(slots * home[begun:].sum() / WORKING_DAYS + 1e-9)
    return float(max(0, min(rest, slots - held)))


def _days(monday: date, calendar: pl.DataFrame, kinds: tuple[str, ...]) -> Mask:
    """Return on which days of a week the whole team is at one of some kinds of entry [7]."""
    return days_of_kind(days_between(monday, monday + timedelta(days=6)), calendar, None, kinds)


def _slots_in(monday: date, capacity: pl.DataFrame, begun: int) -> int:
    """Return the slots of a week, as its working days from the day `begun` on have them."""
    days = range(begun, WORKING_DAYS)
    of_day = [_slots_on(monday + timedelta(days=k), capacity) for k in days]
    known = [slots for slots in of_day if slots is not None]
    return int(min(known)) if of_day and of_day[0] is not None else 0


def _slots_on(day: date, capacity: pl.DataFrame) -> float | None:
    rows = capacity.filter(in_force(day)).sort("from_date")
    newest = rows.unique("workshop", keep="last", maintain_order=True)
    return float(newest["slots"].sum()) if newest.height else None
