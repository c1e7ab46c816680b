"""The keys of what `budget` and `report warranty` answer, with their units.

Money in the currency of the costs table; intervals hold 90 %. None: not known.
"""

from datetime import date, datetime
from typing import Literal, TypedDict

from models.ageing import GroupAgeing
from models.season import VisitChoice
from models.status import FitState

_Period = TypedDict("_Period", {"from": date, "to": date})


class Cost(TypedDict):
    cost: float
    interval90: list[float]


class ItemCost(Cost):
    item: str


class GroupCost(Cost):
    """What the meters of a group come to; meters: how many."""

    group: str
    meters: int


class Verdict(TypedDict):
    """Keep a meter or replace it.

    gain_if_replaced: what a new one saves over three years beyond its price; chance_pays: that
    it saves anything; find_out_first: what to do before deciding; verdict: all of that in a word,
    for pages, commands and files
    """

    verdict: Literal["keep", "replace", "bench first", "compare first", "gone"]
    keep_or_replace: Literal["keep", "replace"] | None
    holding_cost_per_year: float
    new_holding_cost_per_year: float
    gain_if_replaced: float | None
    gain_interval90: list[float] | None
    chance_pays: float | None
    find_out_first: Literal["bench", "compare"] | None
    reason: str


class MeterCost(Cost, Verdict):
    meter_id: str


class DaysWithMishaps(TypedDict):
    """Days to be ridden out of tolerance with the plan, mishaps at the team's own rates among them.

    by_mishaps: how many of them; mishaps: how many of those are to be expected
    """

    days: float
    interval90: list[float]
    by_mishaps: float
    mishaps: float


class Risk(TypedDict):
    """Money that days ridden out of tolerance stand for, and the days, with and without visits.

    day_cost: of one such day, days_weighed: how many of them the money stands for, since a day of
    a race counts for more; None where groups have different prices
    """

    money: float
    money_without_visits: float
    days_out_of_tolerance: float
    days_interval90: list[float]
    days_out_without_visits: float
    day_cost: float | None
    days_weighed: float | None
    with_mishaps: DaysWithMishaps


class GroupDue(TypedDict):
    """When a group's own meters are due, in years from the day of the budget, soonest first.

    later: meters that are not due within five years
    """

    group: str
    years: list[float]
    later: int


class BenchCost(TypedDict):
    """Visits held in the period and planned for the rest of it, and their price."""

    done: int
    done_cost: float
    planned: int
    planned_cost: float


class PastSeason(_Period):
    """What a past period held of an item: how many, and their money (None: no expense)."""

    n: float
    money: float | None


class BesideRow(TypedDict):
    """An item in this period beside the same days before.

    before: the same days two years and a year ago; n: how many are planned or expected, None where
    only money is; interval90: of the money, else of n; why: what explains the difference
    """

    what: str
    before: list[PastSeason]
    n: float | None
    money: float | None
    interval90: list[float] | None
    why: str


class SensorExcess(TypedDict):
    """A meter's error at the slope it was delivered with, against its stated accuracy (%)."""

    meter_id: str
    warranty_until: date | None
    days_left: int | None
    stated_accuracy_pct: float | None
    factory_slope_error_pct: float
    interval90_pct: list[float]
    p_exceeds_stated: float | None


class ClosingClaim(SensorExcess):
    text: str


class BudgetDocument(_Period):
    """What a season costs. beside: the same days of the two years before;
    groups: how each group ages; lacks: what had to be assumed."""

    currency: str | None
    total: float
    interval90: list[float]
    by_item: list[ItemCost]
    beside: list[BesideRow]
    by_group: list[GroupCost]
    meters: list[MeterCost]
    risk: Risk | None
    choices: list[VisitChoice]
    visits_planned: int
    bench: BenchCost
    warranty: list[ClosingClaim]
    lacks: list[str]
    notes: list[str]
    groups: list[GroupAgeing]
    fit: FitState


class EvidenceSession(TypedDict):
    session_id: str
    measured_at: datetime
    gain_error_pct: float
    expanded_uncertainty_pct: float
    coverage_factor: float
    temperature_c: float | None
    bench_id: str | None
    technician: str | None
    slope_before: float | None
    slope_after: float | None
    zero_offset_nm: float | None


class EvidenceEvent(TypedDict):
    date: date
    event: str
    note: str | None


class MeterRecord(TypedDict):
    serial_number: str | None
    group: str
    kind: str
    in_service_on: date
    purchase_date: date | None
    purchase_cost: float | None


class WarrantyReport(SensorExcess, MeterRecord):
    """The evidence about one meter; lacks: what would make it stronger."""

    sessions: list[EvidenceSession]
    events: list[EvidenceEvent]
    lacks: list[str]
    as_of: date
    text: str


class MemberClaim(SensorExcess):
    """A meter of a group or batch, against what its maker states."""

    serial_number: str | None
    group: str
    in_service_on: date
    purchase_date: date | None


class GroupSession(EvidenceSession):
    meter_id: str


class GroupDifference(TypedDict):
    """The mean error of these meters less that of the team's others, at the slopes delivered.

    meters: how many others; p_exceeds_rest: the chance that the difference has its sign
    """

    meters: int
    difference_pct: float
    interval90_pct: list[float]
    p_exceeds_rest: float | None


class GroupClaim(TypedDict):
    """The evidence about a group or a batch; lacks: what would make it stronger."""

    name: str
    as_of: date
    meters: list[MemberClaim]
    sessions: list[GroupSession]
    difference: GroupDifference | None
    lacks: list[str]
    text: str
