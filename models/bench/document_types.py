"""The `bench` command's document of one session, key by key.

Errors and uncertainties are in %, torques in N·m; null where a value is not known. A pair's sides
have keys of their own; those of a side that was not loaded are left out.
"""

from __future__ import annotations

from typing import NotRequired, TypedDict


class ReadingRow(TypedDict):
    """One reading. accept_nm: lowest and highest display within tolerance; reason: why it does
    not count."""

    stage: str
    load: str
    direction: str | None
    chainring: str | None
    arm: str | None
    mass_kg: float | None
    torque_nm: float
    zero_nm: float | None
    expected_torque_nm: float | None
    accept_nm: list[float] | None
    error_pct: float | None
    reason: str | None


class BudgetRow(TypedDict):
    """One source of uncertainty. dof null: infinite; shared: what it is the same within."""

    source: str
    standard_uncertainty_pct: float | None
    type: str
    distribution: str
    shared: str
    dof: float | None
    sensitivity: float | None
    input_uncertainty: float | None
    input_unit: str | None
    share_of_variance: float | None


class SuspicionRow(TypedDict):
    """What may be wrong with the entry or a setting, and what would remain of the error."""

    kind: str
    entered: float | str | None
    would_explain: float | str | None
    residual_pct: float | None
    text: str
    fix: str
    probability: float | None


class CheckRow(TypedDict):
    """What to look at before the slope is changed, and what would remain of the error."""

    kind: str
    what: str
    entered: float | str | None
    would_explain: float | str | None
    residual_pct: float | None
    probability: float | None


class RingNames(TypedDict):
    """The labels of the rings whose difference is ring_difference_pct."""

    small: str
    large: str


class Identity(TypedDict):
    """What was measured, when, and reading by reading."""

    session_id: str
    meter_id: str
    measured_at: str | None
    reason: str | None
    incomplete: bool
    kind: str
    readings: list[ReadingRow]
    zero_offset_nm: float | None


class Errors(TypedDict):
    """The gain error as found, its uncertainty and its verdict."""

    gain_error_pct: float | None
    gain_error_left_pct: float | None
    gain_error_right_pct: float | None
    standard_uncertainty_pct: float | None
    expanded_uncertainty_pct: float | None
    coverage_factor: float | None
    effective_dof: float | None
    budget: list[BudgetRow]
    largest_term: str | None
    shrink_it: str | None
    ring_difference_pct: float | None
    arm_difference_pct: float | None
    u_difference_pct: float | None
    rings: RingNames | None
    linearity_pct: float | None
    repeatability_pct: float | None
    hysteresis_pct: float | None
    tolerance_pct: float
    verdict: str | None
    p_in_tolerance: float | None


class Expected(TypedDict):
    """Lowest and highest error that was to be found, at 90 %, by what was known before, if any."""

    forecast90_pct: NotRequired[list[float]]


class Sides(TypedDict):
    """The same of each side of a pair."""

    expanded_uncertainty_left_pct: NotRequired[float | None]
    verdict_left: NotRequired[str]
    p_in_tolerance_left: NotRequired[float | None]
    expanded_uncertainty_right_pct: NotRequired[float | None]
    verdict_right: NotRequired[str]
    p_in_tolerance_right: NotRequired[float | None]


class SlopeKeys(TypedDict):
    """Slopes as entered, recommended, and rounded to what the meter takes.

    new_slope…: from the error found, exact; recommended_slope…: for the state the meter is left
    in, rounded, null where nothing is to be recommended
    """

    slope_convention: str | None
    slope_before: float | None
    slope_after: float | None
    new_slope: float | None
    new_slope_left: float | None
    new_slope_right: float | None
    new_slope_after_work: float | None
    slope_step: float | None
    recommended_slope: float | None
    recommended_slope_left: float | None
    recommended_slope_right: float | None
    slope_to_enter: float | None
    slope_to_enter_left: float | None
    slope_to_enter_right: float | None
    rounding_residual_pct: float | None
    slope_mismatch_pct: float | None
    slope_mismatch_left_pct: float | None
    slope_mismatch_right_pct: float | None


class OtherStages(TypedDict):
    """The error after work that left the slope alone, and as left."""

    after_work_gain_error_pct: float | None
    after_work_expanded_uncertainty_pct: float | None
    after_work_verdict: str | None
    as_left_gain_error_pct: float | None
    as_left_expanded_uncertainty_pct: float | None
    as_left_verdict: str | None
    as_left_gain_error_left_pct: NotRequired[float | None]
    as_left_gain_error_right_pct: NotRequired[float | None]


class Conclusions(TypedDict):
    """What follows, in words. checks: the likeliest and quickest first."""

    advice: str | None
    advice_text: str | None
    suspicions: list[SuspicionRow]
    checks: list[CheckRow]
    assumptions: list[str]
    findings: list[str]


class SessionDocument(Identity, Errors, Expected, Sides, SlopeKeys, OtherStages, Conclusions):
    """One session of the `bench` command."""
