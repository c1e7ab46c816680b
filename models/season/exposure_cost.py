"""What each meter is exposed to on each day: who rides it, in which race, and what that weighs.

A day ridden out of tolerance costs `out_of_tolerance_day` times the weight of what is ridden:
5 on a day of an A race, 2 of a B race, 1 on any other day.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.metrology import Array, Index, Mask

WEIGHT = {"A": 5.0, "B": 2.0, "C": 1.0}
SPARE_SHARE = 0.1  # days on which a spare with a rider is taken to be ridden


@dataclass(frozen=True)
class Exposure:
    """Who rides what. M meters, D days.

    weight  [M, D] share of the day that is ridden times what the race weighs
    ridden  [M, D] share of the day that is ridden
    a_race  [M, D] whether it is ridden in an A race
    rider   the rider of each meter on the first day
    """

    weight: Array
    ridden: Array
    a_race: Mask
    rider: list[str | None]

    @cached_property
    def first_a(self) -> Index:
        """Return the index of the first day of an A race of each meter [M]; −1: none."""
        return np.where(self.a_race.any(axis=1), self.a_race.argmax(axis=1), -1)


def exposure_of(
    meter_ids: list[str], days: list[date], calendar: pl.DataFrame, assignments: pl.DataFrame
) -> Exposure:
    """Return what each meter is ridden in on each day. In: calendar, assignments: the tables.

    A meter without any assignment counts as ridden every day by nobody in particular (races of
    all riders count); one assigned to nobody is a spare that stays at home; a rider's own spare
    is ridden on one day in ten. On a race day the training and home meters of its riders rest.
    """
    riders, ridden, racing = _assigned(meter_ids, days, assignments)
    weight, a_race = np.zeros(ridden.shape), np.zeros(ridden.shape, dtype=np.bool_)
    for rider in {None, *riders.ravel().tolist()}:
        mine = riders == rider
        race = _race_weights(days, calendar, rider)
        rest = days_of_kind(days, calendar, rider, ("closed",)) | ((race > 0) & ~racing)
        ridden[mine & rest] = 0.0
        weight = np.where(mine, ridden * np.maximum(race, 1.0), weight)
        a_race |= mine & (race == WEIGHT["A"]) & (ridden > 0)
    return Exposure(weight, ridden, a_race, [row[0] if days else None for row in riders])


def _assigned(
    meter_ids: list[str], days: list[date], assignments: pl.DataFrame
) -> tuple[NDArray[np.object_], Array, Mask]:
    """Return the rider, the share of the day ridden, whether it goes to races, [M, D] each."""
    shape = len(meter_ids), len(days)
    riders, racing = np.full(shape, None, dtype=object), np.ones(shape, dtype=np.bool_)
    named = set(assignments["meter_id"])
    ridden = np.zeros(shape)
    ridden[[name not in named for name in meter_ids]] = 1.0
    rows = assignments.filter(pl.col("meter_id").is_in(meter_ids)).sort("from_date")
    for meter, rider, role, first, last in rows.select(
        "meter_id", "rider_id", "role", "from_date", "to_date"
    ).iter_rows():
        at = meter_ids.index(meter), _span(days, first, last)
        riders[at] = rider
        ridden[at] = 0.0 if rider is None else SPARE_SHARE if role == "spare" else 1.0
        racing[at] = role not in ("training", "home")
    return riders, ridden, racing


def _span(days: list[date], first: date, last: date | None) -> slice:
    """Return where the days from a first to a last (None: open) stand, both included."""
    start = max(0, (first - days[0]).days)
    end = len(days) if last is None else (last - days[0]).days + 1
    return slice(start, max(start, end))


def _for(calendar: pl.DataFrame, rider: str | None) -> pl.DataFrame:
    return calendar.filter(
        pl.col("rider_id").is_null() | pl.col("rider_id").eq_missing(pl.lit(rider))
    )


def _race_weights(days: list[date], calendar: pl.DataFrame, rider: str | None) -> Array:
    """Return the weight of the race of each day [D], 0 without one."""
    out = np.zeros(len(days))
    races = _for(calendar, rider).filter(
        (pl.col("kind").fill_null("race") == "race") & pl.col("priority").is_not_null()
    )
    for first, last, priority in races.select("from_date", "to_date", "priority").iter_rows():
        span = _span(days, first, last)
        out[span] = np.maximum(out[span], WEIGHT[priority])
    return out


def days_of_kind(
    days: list[date], calendar: pl.DataFrame, rider: str | None, kinds: Sequence[str]
) -> Mask:
    """Return whether each day [D] lies in an entry of some kinds of a rider (None: of all)."""
    out = np.zeros(len(days), dtype=np.bool_)
    rows = _for(calendar, rider).filter(pl.col("kind").fill_null("race").is_in(list(kinds)))
    for first, last in rows.select("from_date", "to_date").iter_rows():
        out[_span(days, first, last)] = True
    return out


def by_week(values: Array, days: list[date], mondays: list[date]) -> Array:
    """Return the sums over the days of each week [M, W] of values [M, D]."""
    week = np.array([(day - mondays[0]).days // 7 for day in days])
    out = np.zeros((values.shape[0], len(mondays)))
    for w in range(len(mondays)):
        out[:, w] = values[:, week == w].sum(axis=1)
    return out


def days_between(first: date, last: date) -> list[date]:
    """Return all days of a period, both ends included."""
    return [first + timedelta(days=k) for k in range((last - first).days + 1)]
