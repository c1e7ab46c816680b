"""The keys of what `plan` answers, and of the bench list, with their units.

p: probabilities of a true gain error within tolerance; money in the currency of the costs table.
"""

from datetime import date
from typing import NotRequired, TypedDict

from models.status import FitState


class Visit(TypedDict):
    """A planned visit in the week that begins on a Monday; what it spares and costs."""

    week: date
    meter_id: str
    reason: str
    p_within_tolerance_before: float
    deadline: date | None
    pinned: bool
    rider_id: str | None
    tolerance_pct: float
    days_out_prevented: float
    money_saved: float
    cost: float


class Unplanned(TypedDict):
    """A meter without a visit, and the risk that it carries over the period.

    Away from the team: the reason alone. cannot_come: it is ridden, but hung masses prove nothing
    on it. no_slot, deadline: of meters that could come.
    """

    meter_id: str
    reason: str
    p_within_tolerance_now: NotRequired[float]
    p_within_tolerance_end: NotRequired[float]
    days_out_of_tolerance: NotRequired[float]
    risk_money: NotRequired[float]
    no_slot: NotRequired[bool]
    deadline: NotRequired[date | None]
    cannot_come: NotRequired[bool]


class SecondVisit(TypedDict):
    """A further visit that a pinned meter would be worth, in the best week with room for it."""

    meter_id: str
    week: date
    money_saved: float
    cost: float


class VisitChoice(TypedDict):
    """What a number of visits costs in cash and leaves in days out of tolerance.

    asked: the number of visits that was looked for, where more than `visits` do not fit or spare
    nothing; risk: what the days are priced at, no cash
    """

    name: str
    asked: int | None
    visits: int
    cash: float
    days_out: float
    interval90: list[float]
    risk: float


class MeterShare(TypedDict):
    """What a meter adds to the plan's days out of tolerance and to the money they stand for."""

    meter_id: str
    days_out: float
    days_without_visits: float
    risk: float
    risk_without_visits: float


class PlanCost(TypedDict):
    """Money of the plan, risk included, of its visits alone, and of no visit at all."""

    currency: str | None
    plan: float
    visits: float
    without_visits: float


class DaysOut(TypedDict):
    """Days ridden out of tolerance as meters age, with the plan and its spread, and without it."""

    plan: float
    without_visits: float
    plan_interval90: list[float]
    plan_sd: float


class WeekSlots(TypedDict):
    """How many visits fit in a week and how many are planned; closed: the team is away.

    held: sessions held in it so far; slots of a week that has begun are those that are left
    """

    week: date
    slots: int
    used: int
    held: int
    closed: bool


_Period = TypedDict("_Period", {"from": date, "to": date})


class PlanDocument(_Period):
    """Who goes to the bench when.

    gap: how much cheaper a better plan could be at most, as a share; below_target: meters ridden
    below the target before their first visit, or without any; lacks: what had to be assumed;
    as_of: the day it was made on, where that is said
    """

    gap: float
    visits: list[Visit]
    second_visits: list[SecondVisit]
    choices: list[VisitChoice]
    unplanned: list[Unplanned]
    shares: list[MeterShare]
    cost: PlanCost
    days_out_of_tolerance: DaysOut
    slots: list[WeekSlots]
    target: float
    below_target: int
    lacks: list[str]
    notes: list[str]
    fit: FitState
    as_of: NotRequired[date]


class BenchListRow(TypedDict):
    """What the mechanic needs on the spot for a meter.

    mass_kg: with the hanger; lowest_nm, highest_nm: display that keeps the gain error within
    tolerance, zero offset taken off; lacks: what had to be left out; arms: those that its kind is
    hung on; slope…: what it was last left with; next_action: what to do, as its status says
    """

    meter_id: str
    rider_id: str | None
    bike_id: str | None
    crank_length_mm: float | None
    bench_id: str | None
    mass_kg: float | None
    place_id: str | None
    gravity_ms2: float
    expected_torque_nm: float | None
    lowest_nm: float | None
    highest_nm: float | None
    tolerance_pct: float | None
    slope_convention: str | None
    slope_step: float | None
    slope: float | None
    slope_left: float | None
    slope_right: float | None
    large_ring: int | None
    small_ring: int | None
    arms: list[str]
    why: str
    next_action: str | None
    lacks: list[str]
