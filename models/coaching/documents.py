"""The keys of what coaches ask: efforts, the ledger, notices, riders, races, reports.

Watts are shown by a meter unless called corrected; intervals hold 90 %. None: not known.
"""

from datetime import date, datetime
from typing import Literal, NotRequired, TypedDict

from models.status import CurvePoint, FitState

Interval = list[float]
NoticeKind = Literal["reset", "meter", "setting", "battery", "step", "zero", "doubt"]
Cause = Literal["step", "drift", "fixed"]


class CorrectedEffort(TypedDict):
    """An effort: what an errorless meter would have shown, and what the rider put out.

    date: an instant where a time was given; rider_w: legs, ring and chain taken out too;
    rider_total_w: the same, where the meter sees the left leg only
    """

    date: date
    meter_id: str
    watts: float
    seconds: float | None
    corrected_w: float
    interval90_w: Interval
    rider_w: float
    rider_interval90_w: Interval
    text: str
    rider_id: NotRequired[str | None]
    rider_total_w: NotRequired[float]
    rider_total_interval90_w: NotRequired[Interval]


_Pair = TypedDict("_Pair", {"from": int, "to": int})


class Difference(_Pair):
    """The change from one effort to another (0-based), in watts.

    watts: shown; corrected_w: what errorless meters would have shown; meter_part_w: shown less
    corrected; rider_w: what the rider changed by; road_part_w: corrected less the rider's;
    resolution_w: the last digit of the watts, below which no claim is made
    """

    watts: float
    corrected_w: float
    interval90_w: Interval
    meter_part_w: float
    p_increase: float
    rider_w: float
    rider_interval90_w: Interval
    road_part_w: float
    rider_p_increase: float
    resolution_w: float
    text: str


_Carried = TypedDict("_Carried", {"from": int})


class CarriedEffort(_Carried):
    """What the watts of an effort (0-based) show on another meter on a day.

    shown_w: for the same watts of the rider; sensor_w: for the same watts at both sensors, legs,
    ring and chain left out
    """

    meter_id: str
    date: date
    shown_w: float
    interval90_w: Interval
    sensor_w: float
    text: str


class EffortAnswer(TypedDict):
    """Efforts corrected, and whether they differ. text: whether several meters moved alike."""

    efforts: list[CorrectedEffort]
    differences: list[Difference]
    text: str | None


class EffortDocument(EffortAnswer):
    """The same with the watts carried to other meters, and what has to be said of all."""

    carried: list[CarriedEffort]
    notes: list[str]
    fit: FitState


class LedgerRow(TypedDict):
    """True watts are shown watts times the factor, from the first day to the last.

    factor: to what an errorless sensor had shown; rider_factor: to what the rider put out
    """

    meter_id: str
    rider_id: str | None
    from_date: date
    to_date: date
    factor: float
    interval90: Interval
    rider_factor: float
    rider_interval90: Interval
    note: str | None


class LedgerDocument(TypedDict):
    """The correction factors of a period; warnings: where watts may be corrected already."""

    ledger: list[LedgerRow]
    applied_in: Literal["ledger"]
    warnings: list[str]
    notes: list[str]
    fit: FitState


class Change(TypedDict):
    """From a day on a meter shows other watts for the same effort. None: by how much is open."""

    from_date: date
    kind: NoticeKind
    meter_id: str
    rider_id: str | None
    change_pct: float | None
    interval90_pct: list[float | None]
    text: str


class Notice(Change):
    """The same, addressed: notice_id stays the same from fit to fit."""

    notice_id: str
    coach: str | None


class Acknowledged(TypedDict):
    acknowledged_by: str | None
    acknowledged_at: datetime | None


class NoticeRow(Notice, Acknowledged):
    """A notice, and who has read it."""


class RidingPeriod(TypedDict):
    """A meter that a rider rode; to_date None: still."""

    meter_id: str
    bike_id: str | None
    role: str | None
    from_date: date
    to_date: date | None


class PeriodReset(TypedDict):
    slope_before: float | None
    slope_after: float | None
    step_pct: float | None
    recorded: bool
    date: date


class PeriodCurve(RidingPeriod):
    points: list[CurvePoint]
    resets: list[PeriodReset]


class MeterPair(TypedDict):
    """How much more one meter is expected to show than another at example_w of the rider's watts.

    Legs, rings and chain count; sensor_difference_pct: what the sensors alone make of it;
    p_more: chance that it does show more
    """

    meter_id: str
    other_meter_id: str
    difference_pct: float
    interval90_pct: Interval
    example_w: float
    difference_w: float
    interval90_w: Interval
    p_more: float
    sensor_difference_pct: float


class Shown(TypedDict):
    """What a meter shows of example_w that its rider puts out, legs, ring and chain counted.

    rider_error_pct: shown over the rider's watts, and its sd
    """

    example_w: float
    shown_w: float
    interval90_w: Interval
    rider_error_pct: float
    rider_error_sd_pct: float


class Reading(Shown):
    """The same of one meter. sensor_w: for watts at the sensor; unknown: what nothing tells."""

    meter_id: str
    sensor_w: float
    unknown: list[str]


class RiderEffort(TypedDict):
    date: date
    meter_id: str | None
    reference_id: str | None
    watts: float
    duration_s: float | None
    kind: str | None


class RiderDocument(TypedDict):
    """What a coach looks at. reads, bikes: of the meters ridden on the day, and of their pairs."""

    rider_id: str
    as_of: date
    periods: list[PeriodCurve]
    reads: list[Reading]
    bikes: list[MeterPair]
    efforts: list[RiderEffort]
    notices: list[NoticeRow]


class RaceOption(TypedDict):
    """What can be done with a meter before a race, and what it risks.

    p_within_tolerance: of a stand-in; shown_w, u_shown_w: what the meter shows for 300 W
    """

    do: str
    risk: str
    meter_id: str
    p_within_tolerance: NotRequired[float]
    shown_w: NotRequired[float]
    u_shown_w: NotRequired[float]


class RaceEve(TypedDict):
    """A meter that is more likely out of tolerance than in just before an A race."""

    meter_id: str
    rider_id: str | None
    race_on: date
    p_within_tolerance: float
    cause: Cause
    first: str
    options: list[RaceOption]
    never: str


class KeptMeter(TypedDict):
    meter_id: str
    serial_number: str | None
    state: str | None
    location: str | None
    owner: str | None
    return_by: date | None


class MeterToReturn(KeptMeter):
    gain_error_pct: float
    gain_error_sd_pct: float


class MeterEffort(TypedDict):
    date: date
    kind: str | None
    duration_s: float | None
    meter_id: str
    watts: float


class HandedEffort(MeterEffort):
    corrected_w: float
    u_corrected_w: float


class HandoverDocument(TypedDict):
    rider_id: str
    as_of: date
    to_return: list[MeterToReturn]
    meters: list[RidingPeriod]
    efforts: list[HandedEffort]
    ledger: list[LedgerRow]
    notices: list[NoticeRow]
    text: str
