"""The keys of what `status` and `history` answer, with their units.

Errors, sds and intervals are plain percent; an interval holds 90 %. None: not known.
"""

from datetime import date, datetime
from typing import Literal, NotRequired, TypedDict

from models.fleet import HyperDocument

Status = Literal["out", "due", "soon", "ok", "unknown"]


class FitState(TypedDict):
    """Whether the fit that an answer rests on converged, and what it said."""

    converged: bool
    message: str


class KeptFitState(FitState):
    """The same of a fit that is kept; stale: rows came in after it."""

    fitted_at: datetime
    stale: bool


class Alarm(TypedDict):
    """An alarm of a device.

    earliest, latest: the days between which it happened; None: on its date. size_nm: of a zero
    offset that jumped, with a step (then beside its size_pct) or without
    """

    kind: str
    date: date
    earliest: date | None
    latest: date | None
    size_pct: float | None
    size_sd_pct: float | None
    consequence_pct: float | None
    observation: str | None
    score: float
    text: str
    short: str | None
    size_nm: float | None


class Temperature(TypedDict):
    """How a meter's gain follows the temperature, and what it may read between the use_c (°C)."""

    coefficient_pct_per_c: float | None
    coefficient_sd_pct_per_c: float
    known: bool
    use_c: list[float]
    interval90_in_use_pct: list[float]


class MeterFacts(TypedDict):
    """What `status` says of a meter and takes from one row of a frame.

    reason_kinds: of each of the reasons, "alarm" for what an alarm says
    short_reason, short_action: the one that matters most and what to do next, in one line; None
    where all is fine
    """

    meter_id: str
    status: Status
    reasons: list[str]
    reason_kinds: list[str]
    short_reason: str | None
    gain_error_pct: float | None
    gain_error_sd_pct: float | None
    p_within_tolerance: float | None
    tolerance_pct: float
    due_date: date | None
    next_action: str
    short_action: str | None
    last_bench: date | None
    last_comparison: date | None
    group: str
    kind: str
    serial_number: str | None
    state: str | None
    location: str | None
    listed: bool
    crank_length_mm: float | None
    rider_id: str | None
    bike_id: str | None
    role: str | None
    drift_pct_per_year: float | None
    drift_sd_pct_per_year: float | None


class SideStatus(TypedDict):
    """One side of a pair."""

    gain_error_pct: float
    gain_error_sd_pct: float
    interval90_pct: list[float]
    p_within_tolerance: float


class PairSides(TypedDict):
    """Both sides of a pair, each a meter of its own."""

    left: SideStatus
    right: SideStatus


class MeterStatus(MeterFacts):
    """A meter's row. sides: of a pair that was hung on both sides; its probability is the lower."""

    sides: PairSides | None
    interval90_pct: list[float | None]
    alarms: list[Alarm]
    temperature: Temperature | None


class DeviceStatus(TypedDict):
    """What references and mass sets of `status` have in common.

    kind: what it is, or how its masses are known; next_action: where there is something to do
    """

    kind: str | None
    gain_error_pct: float | None
    gain_error_sd_pct: float | None
    interval90_pct: list[float] | None
    alarms: list[Alarm]
    next_action: NotRequired[str]


class TrainerState(TypedDict):
    """How a reference stands: its change within a year, whether and when that matters.

    A reference that is a meter of the fleet has its status in that meter's row, and here None.
    """

    status: Status | None
    p_within_tolerance: float | None
    due_date: date | None
    reasons: list[str]
    since: NotRequired[date | None]
    last_comparison: NotRequired[date | None]
    n_comparisons: NotRequired[int]
    tolerance_pct: NotRequired[float]
    change_pct: NotRequired[float | None]
    change_sd_pct: NotRequired[float | None]


class ReferenceStatus(DeviceStatus, TrainerState):
    reference_id: str


class BenchStatus(DeviceStatus):
    bench_id: str
    reasons: list[str]


class TruthBasis(TypedDict):
    """What the fleet's numbers rest on; action: how to improve it."""

    basis: str
    text: str
    action: str | None


class FleetStatus(TypedDict):
    counts: dict[Status, int]
    truth: TruthBasis
    hyperparameters: HyperDocument


class StatusDocument(TypedDict):
    """The fleet on a day. today_note: where today is a day of the store's own."""

    as_of: date
    fit: KeptFitState
    reliability_target: float
    meters: list[MeterStatus]
    references: list[ReferenceStatus]
    benches: list[BenchStatus]
    fleet: FleetStatus
    notes: list[str]
    today_note: NotRequired[str]


class CurvePoint(TypedDict):
    """A point of a gain error's course; date: a day or an instant."""

    date: date
    gain_error_pct: float
    sd_pct: float
    lo90_pct: float
    hi90_pct: float


class ObservedPoint(TypedDict):
    """The gain error that a session or a comparison shows, with what it counts for (0 to 1)."""

    date: datetime
    kind: str
    id: str
    gain_error_pct: float
    sd_pct: float
    standardized_residual: float | None
    used: bool
    weight: float


class MeterEvent(TypedDict):
    date: date
    event: str
    side: str | None
    size_pct: float | None
    note: str | None
    state: str | None


class SlopeReset(TypedDict):
    """A change of a meter's slope. Not recorded: it happened between earliest and latest."""

    date: datetime
    slope_before: float | None
    slope_after: float | None
    step_pct: float | None
    recorded: bool
    earliest: datetime | None
    latest: datetime | None


class ControlPoint(TypedDict):
    """A point of a control chart, in sd; signal: beyond the limit."""

    date: datetime
    kind: str
    id: str
    value: float
    limit: float
    signal: bool


class ControlLimits(TypedDict):
    """Limits of the charts, in sd of what they plot, and the weight of the EWMA."""

    individuals: float
    ewma: float
    cusum: float
    weight: float


class ControlCharts(TypedDict):
    individuals: list[ControlPoint]
    ewma: list[ControlPoint]
    cusum: list[ControlPoint]
    limits: ControlLimits


class HistoryDocument(TypedDict):
    meter_id: str
    points: list[CurvePoint]
    observations: list[ObservedPoint]
    events: list[MeterEvent]
    resets: list[SlopeReset]
    fit: FitState
    forecast: list[CurvePoint]
    tolerance_pct: float
    control: ControlCharts
