"""How many visits the bench can take in each week."""

from datetime import date, timedelta

import numpy as np
import polars as pl

from ingest.schema import in_force
from models.metrology import Index
from models.season.exposure_cost import days_closed

USUAL_SLOTS = 4  # a week, where nothing is known


def slots_of(
    mondays: list[date], capacity: pl.DataFrame, calendar: pl.DataFrame, *, fixed: int | None
) -> tuple[Index, tuple[bool, ...], list[str]]:
    """Return the visits that fit in each week [W], which weeks are closed, what was assumed.

    In   capacity, calendar: the tables; fixed: slots of every week instead of the capacity's
    The slots of a week are the fewest of any of its working days that a capacity row covers, all
    workshops together; a week whose Monday no row covers has none. A week that a closed period
    of the whole team touches has none.
    """
    lacks = []
    closed = tuple(bool(days_closed(_days_of(monday), calendar, None).any()) for monday in mondays)
    if fixed is None and capacity.is_empty():
        lacks.append(f"no capacity table: {USUAL_SLOTS} bench slots a week are assumed")
        fixed = USUAL_SLOTS
    usual = [_slots_in(monday, capacity) if fixed is None else fixed for monday in mondays]
    return np.where(closed, 0, np.array(usual, dtype=np.int64)), closed, lacks


def _days_of(monday: date) -> list[date]:
    return [monday + timedelta(days=k) for k in range(7)]


def _slots_in(monday: date, capacity: pl.DataFrame) -> int:
    of_day = [_slots_on(day, capacity) for day in _days_of(monday)[:5]]
    known = [slots for slots in of_day if slots is not None]
    return int(min(known)) if of_day[0] is not None else 0


def _slots_on(day: date, capacity: pl.DataFrame) -> float | None:
    rows = capacity.filter(in_force(day))
    return float(rows["slots"].sum()) if rows.height else None
