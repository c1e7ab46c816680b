"""The keys of what `policies` and `report intervals` answer, with their units."""

from datetime import date
from typing import Literal, TypedDict

from models.policies.rules import Kind
from models.status import FitState


class PolicyRow(TypedDict):
    """A policy, simulated; label: its name's short form.

    out_of_tolerance_share: of the days, in a fleet of this size over the years simulated;
    interval90 of it and visits_interval90 hold 90 % of the simulated fleets
    """

    name: str
    label: str
    kind: Kind
    visits_per_meter_year: float
    visits_interval90: list[float]
    out_of_tolerance_share: float
    interval90: list[float]
    cost_per_meter_year: float


class VisitsSaved(TypedDict):
    """What fixed intervals with the same share of days out need in visits, and ours over that.

    None: no fixed interval reaches the share.
    """

    name: str
    fixed_visits_per_meter_year: float | None
    ratio: float | None


class PolicyWorld(TypedDict):
    """The policies where the fit is wrong about the meters. said: how, after "where".

    cheapest: the policy that costs least there; planned_costs_more: what planning at least cost
    costs above it, a meter and year; planned_out_share: days out of tolerance that it leaves
    """

    world: str
    said: str
    policies: list[PolicyRow]
    cheapest: str
    planned_costs_more: float
    planned_out_share: float


_Period = TypedDict("_Period", {"from": date, "to": date})


class MeterDays(TypedDict):
    meter_id: str
    days_out: float


class PolicyRecord(_Period):
    """What the team itself did in a year: visits, and days out as the fit sees them today.

    most: the meters with most of those days
    """

    visits_per_meter_year: float
    out_of_tolerance_share: float
    most: list[MeterDays]


class MishapRow(TypedDict):
    """Knocks, wrong settings or wrong entries in the records, simulated as often as there.

    over: meter-years in which they would be known, of entries bench sessions
    """

    kind: Literal["knock", "setting", "entry"]
    count: int
    over: float


class PoliciesDocument(TypedDict):
    """Ways of choosing bench visits, compared. lacks: prices that had to be assumed.

    record: the last year in the records; mishaps: what happens to meters beside ageing, and
    simulated: that in words; not_simulated: what else happens; elsewhere: the same policies
    where the fit is wrong about the meters
    """

    policies: list[PolicyRow]
    visits_saved: list[VisitsSaved]
    years: float
    fleets: int
    meters: int
    text: str
    visit_cost: float
    day_cost: float
    currency: str | None
    lacks: list[str]
    record: PolicyRecord | None
    mishaps: list[MishapRow]
    simulated: str
    not_simulated: str
    elsewhere: list[PolicyWorld]
    fit: FitState


class MeterIntervals(TypedDict):
    """The next visit of a meter by each method, and ours (due_date).

    interval_days, reasons: by the method's name; a reason where a method cannot say, or says less
    """

    meter_id: str
    due_date: date | None
    calendar: date | None
    staircase: date | None
    control_chart: date | None
    in_use_time: date | None
    reliability: date | None
    interval_days: dict[str, float | None]
    reasons: dict[str, str]


class IntervalsDocument(TypedDict):
    """Next visits by the interval methods of ILAC-G24 / OIML D 10."""

    as_of: date
    meters: list[MeterIntervals]
