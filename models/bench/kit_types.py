"""What the bench page is given, key by key; see `offline_kit`."""

from __future__ import annotations

from datetime import date
from typing import Any, NotRequired, TypedDict


class LastSlopes(TypedDict):
    """The slope that a meter was last left with, and the day."""

    slope: NotRequired[float]
    slope_left: NotRequired[float]
    slope_right: NotRequired[float]
    on: NotRequired[date]


class LastSession(TypedDict):
    """`own_past.Observed`; at: seconds since 1970."""

    at: float | None
    found: float
    as_left: float | None
    p_before: float | None
    p_after: float | None
    u_session: float
    u_bench: float
    u_place: float
    u_crank: float
    bench_id: str | None
    place_id: str | None
    crank_id: str | None
    crank_length_mm: float | None
    ring_difference: float | None
    arm_difference: float | None


class PastRow(TypedDict):
    """`own_past.Past`."""

    level: float
    variance: float
    in_slope: bool
    seen: int
    left: float | None
    rate: float
    wander: float
    last: LastSession | None


class ForecastRow(TypedDict):
    """`judging.Forecast`."""

    mean: float
    sd: float
    p: float | None


class HangRow(TypedDict):
    """A session of these days that the next one may repeat.

    looked: what it had looked at; doubted: whether a suspicion was open
    """

    at: float | None
    found: float
    u_session: float
    p_before: float | None
    p_after: float | None
    looked: list[str]
    doubted: bool


class SetupRow(TypedDict):
    """What the day's sessions from one setup hand on; without: leaving out a meter's own."""

    on: str
    bench_id: str | None
    technician: str | None
    carried: dict[str, float]
    without: dict[str, dict[str, float]]


class Fitted(TypedDict):
    """Where the meter sits."""

    crank_id: str | None
    programmed_mm: float | None
    large_ring: int | None
    small_ring: int | None


class MeterKit(TypedDict):
    """One meter: its row of `status`, what the tables say of it, and its past.

    taking_in: how its stored sessions differ from those of the answers
    hangs: its sessions of these days; past: before them; past_after: with them
    """

    meter_id: str
    status: str | None
    group: str | None
    serial_number: str | None
    rider_id: str | None
    bike_id: str | None
    gain_error_pct: float | None
    gain_error_sd_pct: float | None
    tolerance_pct: float | None
    due_date: Any
    reason: str | None
    next_action: str | None
    taking_in: str | None
    kind: str
    convention: str | None
    slope_step: float | None
    slope_min: float | None
    slope_max: float | None
    static_check: bool
    known_length_mm: float | None
    installation: Fitted | None
    slopes: LastSlopes
    past: PastRow | None
    past_after: PastRow | None
    forecast: ForecastRow | None
    hangs: list[HangRow]


class PlannedRow(TypedDict):
    """One line of the order of readings."""

    load: str
    arm: str | None
    chainring: str | None
    direction: str | None


class KindRow(TypedDict):
    """The bench rules of a kind; u_session_pct, dof_session: what a usual session leaves.

    u_rest_pct, dof_rest  the same without the scatter of hangings; repeat_weight: what of that
                          scatter remains in the mean of the planned readings
    """

    kind: str
    title: str
    arms: list[str]
    own_slopes: bool
    may_show_double: bool
    uses_length: bool
    through_chain: bool
    planned: list[PlannedRow]
    u_session_pct: float
    dof_session: float | None
    u_rest_pct: float
    dof_rest: float | None
    repeat_weight: float


class MassSetKit(TypedDict):
    """A mass set; u_pct: standard uncertainty of its total, basis: what that rests on.

    fleet: how far it is off its stamp, with low and high end, %; None: not surely
    """

    bench_id: str
    source: str | None
    mass_kg: float | None
    hanger_kg: float
    u_pct: float | None
    basis: str | None
    fleet: list[float] | None


class GravityRow(TypedDict):
    """Gravity somewhere; u_pct: what a place adds, with the air's buoyancy and the level by eye."""

    gravity_ms2: float
    u_pct: float


class PlaceKit(GravityRow):
    """A place with its gravity."""

    place_id: str


class HandRow(TypedDict):
    """How hangings scattered: of: who, where or both. Squared deviations of ratios, with dof."""

    of: str
    technician: str | None
    place_id: str | None
    sum_of_squares: float
    dof: int


class Kit(TypedDict):
    """All that the bench page knows before it is opened at the bench.

    rules    constants of the models, and coverage factors by degrees of freedom
    wording  templates of what the page says by itself
    """

    meters: list[MeterKit]
    kinds: dict[str, KindRow]
    mass_sets: list[MassSetKit]
    places: list[PlaceKit]
    setups: list[SetupRow]
    standard_gravity: GravityRow
    hands: list[HandRow]
    rules: dict[str, object]
    wording: dict[str, str]
