"""What a plan rests on: meters, weeks, risks, exposure, prices, slots and pins of a season."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TypedDict

import numpy as np
import polars as pl

from ingest.schema import grouped
from models.fleet import FleetFit
from models.metrology import Array
from models.records import Records, Tables, typed_rows
from models.season.bench_slots import slots_of
from models.season.exposure_cost import Exposure, by_week, days_between, exposure_of
from models.season.risk import Outlook, outlook, risks, weeks_of
from models.season.season_ask import SeasonAsk
from models.season.visit_prices import Prices, prices
from models.season.visit_program import VisitProgram
from models.status import Half, side_halves

ASSUMED = {
    "calendar": "no calendar: every week weighs the same, and none is closed",
    "assignments": "no assignments: every meter counts as ridden every day",
    "costs": "no costs: see the prices assumed",
}


class PlannedMeter(TypedDict):
    """What a plan says of a meter as such."""

    meter_id: str
    tolerance_pct: float
    slope_convention: str | None


@dataclass(frozen=True)
class PlanInputs:
    """A season ready to be planned, M meters over W weeks.

    today     the day of the records; first: the first day that can be planned
    mondays   [W] of the weeks
    outlook   the errors to be expected; exposure: who rides what, day by day from the first
    ridden    [M, W] days that the meter is ridden in the week
    closed    [W] weeks in which the team is away
    held      sessions held in the first week so far
    target    the least probability within tolerance
    lacks     what had to be assumed
    """

    today: date
    first: date
    meters: list[PlannedMeter]
    mondays: list[date]
    outlook: Outlook
    exposure: Exposure
    ridden: Array
    prices: Prices
    program: VisitProgram
    closed: tuple[bool, ...]
    held: int
    target: float
    lacks: list[str]

    def risk(self, meter: int, weeks: tuple[int, ...]) -> Array:
        """Return the probability of being out of tolerance in each week [W] with those visits."""
        risk = self.program.risk_unvisited[meter].copy()
        for week in sorted(weeks):
            risk[week:] = self.program.risk_after[meter, week, week:]
        return np.asarray(risk)

    def days_out(self, meter: int, risk: Array) -> float:
        """Return the days that a meter is to be ridden out of tolerance. risk [W]."""
        return float((risk * self.ridden[meter]).sum())

    def money_out(self, meter: int, risk: Array) -> float:
        """Return what those days are priced at."""
        return float((risk * self.program.exposure_cost[meter]).sum())

    def p_within(self, meter: int, earlier: tuple[int, ...]) -> Array:
        """Return the probability within tolerance at each Monday [W] after earlier visits.

        Without any [W + 1]: the Monday after the last week too.
        """
        if not earlier:
            return np.asarray(self.outlook.p_within[meter])
        return np.asarray(1 - self.program.risk_after[meter, earlier[-1]])

    def a_race_days(self, meter: int) -> list[date]:
        """Return the days of A races that a meter is ridden in."""
        days = np.flatnonzero(self.exposure.a_race[meter]).tolist()
        return [self.first + timedelta(days=day) for day in days]

    def money(self, value: float) -> str:
        """Return money in words: "40 EUR"."""
        return f"{grouped(value)} {self.prices.currency or ''}".rstrip()


def plan_inputs(
    found: Records,
    fleet: FleetFit,
    tables: Tables,
    ask: SeasonAsk,
    *,
    meters: pl.DataFrame,
    target: float,
) -> PlanInputs:
    """Return all that a plan of some meters of the roster rests on."""
    first = max(ask.first, found.as_of)
    mondays = weeks_of(first, ask.last)
    days = days_between(first, ask.last)
    ids = meters["meter_id"].to_list()
    money = prices(tables["costs"], meters["group"].to_list())
    exposure = exposure_of(ids, days, tables["calendar"], tables["assignments"])
    held = _held_since(found.sessions, mondays[0])
    slots, closed, lacks = slots_of(
        mondays,
        tables["capacity"],
        tables["calendar"],
        fixed=ask.slots_per_week,
        first=first,
        held=held,
    )
    ends = [*mondays, mondays[-1] + timedelta(weeks=1)]
    pairs = {row["meter_id"]: row for row in typed_rows(side_halves(found.sessions, fleet), Half)}
    ahead = outlook(fleet, meters, ends, found.data.bench, pairs=pairs)
    unvisited, after = risks(ahead)
    program = VisitProgram(
        unvisited,
        after,
        by_week(exposure.weight, days, mondays) * money.day[:, None],
        money.visit,
        slots,
        _pin_weeks(ask, ids, mondays),
    )
    assumed = [text for name, text in ASSUMED.items() if tables[name].is_empty()]
    return PlanInputs(
        found.as_of,
        first,
        typed_rows(meters, PlannedMeter),
        mondays,
        ahead,
        exposure,
        by_week(exposure.ridden, days, mondays),
        money,
        program,
        closed,
        held,
        target,
        [*assumed, *money.lacks, *lacks],
    )


def _held_since(sessions: pl.DataFrame, monday: date) -> int:
    return int((sessions["measured_at"].dt.date() >= monday).sum())


def _pin_weeks(ask: SeasonAsk, ids: list[str], mondays: list[date]) -> dict[int, tuple[int, ...]]:
    return {
        ids.index(meter): tuple(sorted({(day - mondays[0]).days // 7 for day in days}))
        for meter, days in ask.pins.items()
        if meter in ids
    }
