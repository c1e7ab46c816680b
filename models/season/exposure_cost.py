"""What is at stake in each week: who rides which meter when, in which races, and what it costs.

A day ridden out of tolerance costs `out_of_tolerance_day` times the weight of what is ridden:
5 on a day of an A race, 2 of a B race, 1 on any other day. Also the bench's slots.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from ingest.schema import in_force
from models.metrology import Array, Index, Mask

Tables = dict[str, pl.DataFrame]
WEIGHT = {"A": 5.0, "B": 2.0, "C": 1.0}
SPARE_SHARE = 0.1  # days on which a spare with a rider is taken to be ridden
SLOTS = 4  # a week, where nothing is known
BENCH_HOURS = 0.75  # of a technician for a session, where only the hour has a price
DEFAULT_COST = {"bench_session": 40.0, "out_of_tolerance_day": 10.0}


@dataclass(frozen=True)
class Prices:
    """Money: of a visit [M], of a day out of tolerance at weight 1 [M]; `lacks` says what had
    to be assumed."""

    visit: Array
    day: Array
    currency: str | None
    lacks: tuple[str, ...]


def prices(costs: pl.DataFrame, groups: list[str]) -> Prices:
    """Costs of each meter's group; an item without a group holds for all."""
    lacks = []
    session, hour, trip, day = (
        _by_group(costs, item, groups)
        for item in ("bench_session", "bench_hour", "transport", "out_of_tolerance_day")
    )
    visit = [s if s is not None else _hours(h) for s, h in zip(session, hour, strict=True)]
    if any(v is None for v in visit):
        lacks.append(
            "costs has no bench_session (nor bench_hour): a visit is taken to cost "
            f"{DEFAULT_COST['bench_session']:g}"
        )
    if any(d is None for d in day):
        lacks.append(
            "costs has no out_of_tolerance_day: a day ridden out of tolerance is taken to cost "
            f"{DEFAULT_COST['out_of_tolerance_day']:g}"
        )
    named = costs["currency"].drop_nulls().to_list()
    return Prices(
        np.array(
            [
                (DEFAULT_COST["bench_session"] if v is None else v) + (t or 0.0)
                for v, t in zip(visit, trip, strict=True)
            ],
            dtype=np.float64,
        ),
        np.array(
            [DEFAULT_COST["out_of_tolerance_day"] if d is None else d for d in day],
            dtype=np.float64,
        ),
        str(named[0]) if named else None,
        tuple(lacks),
    )


def _by_group(costs: pl.DataFrame, item: str, groups: list[str]) -> list[float | None]:
    price = {group: unit_cost(costs, item, group) for group in set(groups)}
    return [price[group] for group in groups]


def _hours(hour: float | None) -> float | None:
    return None if hour is None else BENCH_HOURS * hour


def unit_cost(costs: pl.DataFrame, item: str, group: str | None) -> float | None:
    """The price of an item for a group: its own, else the one for all."""
    rows = costs.filter(pl.col("item") == item)
    for wanted in (
        pl.col("model_group").eq_missing(pl.lit(group)),
        pl.col("model_group").is_null(),
    ):
        found = rows.filter(wanted)
        if found.height:
            return float(found["unit_cost"][0])
    return None


@dataclass(frozen=True)
class Use:
    """Who rides what. M meters, D days.

    weight  [M, D] of each day: share of it that is ridden times what the race weighs
    ridden  [M, D] share of the day that is ridden
    first_a [M] index of the first day of an A race that the meter is ridden in, −1: none
    rider   the rider of each meter on the first day
    """

    weight: Array
    ridden: Array
    first_a: Index
    rider: list[str | None]


def use_of(
    meter_ids: list[str], days: list[date], calendar: pl.DataFrame, assignments: pl.DataFrame
) -> Use:
    """What each meter is ridden in on each day.

    A meter without any assignment counts as ridden every day by nobody in particular (races of
    all riders count); one assigned to nobody is a spare that stays at home; a rider's own spare
    is ridden on one day in ten. On a race day the training and home meters of its riders rest.
    """
    riders, ridden, racing = _assigned(meter_ids, days, assignments)
    names = sorted({r for row in riders for r in row if r is not None})
    every = [*names, None]
    priority = {rider: _priority(days, calendar, rider) for rider in every}
    closed = {rider: _closed(days, calendar, rider) for rider in every}
    weight = np.zeros(ridden.shape)
    in_a = np.zeros(ridden.shape, dtype=np.bool_)
    for m, row in enumerate(riders):
        for rider in set(row):
            mine = np.array([r == rider for r in row])
            race = priority[rider]
            rest = closed[rider] | ((race > 0) & ~racing[m])
            ridden[m] = np.where(mine & rest, 0.0, ridden[m])
            weight[m] = np.where(mine, ridden[m] * np.maximum(race, 1.0), weight[m])
            in_a[m] |= mine & (race == WEIGHT["A"]) & (ridden[m] > 0)
    first = np.where(in_a.any(axis=1), in_a.argmax(axis=1), -1).astype(np.int64)
    return Use(weight, ridden, first, [row[0] if row else None for row in riders])


def in_race(use: Use) -> Mask:
    """Whether each meter is ridden in an A race on any of the days, [M]."""
    return np.asarray(use.first_a >= 0)


def _assigned(
    meter_ids: list[str], days: list[date], assignments: pl.DataFrame
) -> tuple[list[list[str | None]], Array, Mask]:
    """Rider of each meter and day, share of the day ridden, whether it goes to races."""
    place = {name: m for m, name in enumerate(meter_ids)}
    named = set(assignments["meter_id"].to_list())
    riders: list[list[str | None]] = [[None] * len(days) for _ in meter_ids]
    ridden = np.array([[0.0 if name in named else 1.0] * len(days) for name in meter_ids])
    racing = np.ones((len(meter_ids), len(days)), dtype=np.bool_)
    for row in assignments.sort("from_date").iter_rows(named=True):
        m = place.get(row["meter_id"])
        if m is None:
            continue
        for d in _span(days, row["from_date"], row["to_date"]):
            riders[m][d] = row["rider_id"]
            share = SPARE_SHARE if row["role"] == "spare" else 1.0
            ridden[m, d] = share if row["rider_id"] is not None else 0.0
            racing[m, d] = row["role"] not in ("training", "home")
    return riders, ridden.reshape(len(meter_ids), len(days)), racing


def _span(days: list[date], first: date, last: date | None) -> range:
    """Indices of the days from a first to a last (None: open), both included."""
    start = max(0, (first - days[0]).days)
    end = len(days) if last is None else min(len(days), (last - days[0]).days + 1)
    return range(start, max(start, end))


def _for(calendar: pl.DataFrame, rider: str | None) -> pl.DataFrame:
    return calendar.filter(
        pl.col("rider_id").is_null() | pl.col("rider_id").eq_missing(pl.lit(rider))
    )


def _priority(days: list[date], calendar: pl.DataFrame, rider: str | None) -> Array:
    """Weight of the race of each day, 0 without one."""
    out = np.zeros(len(days))
    races = _for(calendar, rider).filter(
        (pl.col("kind").fill_null("race") == "race") & pl.col("priority").is_not_null()
    )
    for row in races.iter_rows(named=True):
        span = _span(days, row["from_date"], row["to_date"])
        out[span.start : span.stop] = np.maximum(
            out[span.start : span.stop], WEIGHT[row["priority"]]
        )
    return out


def _closed(days: list[date], calendar: pl.DataFrame, rider: str | None) -> Mask:
    out = np.zeros(len(days), dtype=np.bool_)
    for row in _for(calendar, rider).filter(pl.col("kind") == "closed").iter_rows(named=True):
        span = _span(days, row["from_date"], row["to_date"])
        out[span.start : span.stop] = True
    return out


def by_week(values: Array, days: list[date], mondays: list[date]) -> Array:
    """Sums over the days of each week, [M, W]."""
    week = np.array([(day - mondays[0]).days // 7 for day in days])
    out = np.zeros((values.shape[0], len(mondays)))
    for w in range(len(mondays)):
        out[:, w] = values[:, week == w].sum(axis=1)
    return out


# --- the bench's slots ------------------------------------------------------------------------


def slots_of(
    mondays: list[date], capacity: pl.DataFrame, calendar: pl.DataFrame, *, fixed: int | None
) -> tuple[Index, tuple[bool, ...], list[str]]:
    """Visits that fit in each week, which weeks are closed, and what had to be assumed.

    The slots of a week are the fewest of any of its working days that a capacity row covers, all
    workshops together; a week whose Monday no row covers has none. A week that a closed period
    of the whole team touches has none.
    """
    lacks = []
    closed = tuple(any(_closed(_days_of(monday), calendar, None)) for monday in mondays)
    if fixed is None and capacity.is_empty():
        lacks.append(f"no capacity table: {SLOTS} bench slots a week are assumed")
        fixed = SLOTS
    usual = (
        np.full(len(mondays), fixed, dtype=np.int64)
        if fixed is not None
        else np.array([_slots_in(monday, capacity) for monday in mondays], dtype=np.int64)
    )
    return np.where(closed, 0, usual), closed, lacks


def _days_of(monday: date) -> list[date]:
    return [monday + timedelta(days=k) for k in range(7)]


def _slots_in(monday: date, capacity: pl.DataFrame) -> int:
    of_day = [_slots_on(day, capacity) for day in _days_of(monday)[:5]]
    known = [slots for slots in of_day if slots is not None]
    return int(min(known)) if of_day[0] is not None else 0


def _slots_on(day: date, capacity: pl.DataFrame) -> float | None:
    rows = capacity.filter(in_force(day))
    return float(rows["slots"].sum()) if rows.height else None


def days_between(first: date, last: date) -> list[date]:
    """All days of a period, both ends included."""
    return [first + timedelta(days=k) for k in range((last - first).days + 1)]


def missing(tables: Tables, names: Iterable[tuple[str, str]]) -> list[str]:
    """What cannot be taken into account because a table is empty: (table, sentence)."""
    return [text for name, text in names if name not in tables or tables[name].is_empty()]
