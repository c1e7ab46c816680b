"""A session's result as the `bench` command prints it: plain numbers, null for unknown."""

from __future__ import annotations

import math
from typing import cast

from models.bench.advice import (
    Basis,
    remedy_of,
    rounding_residual_pct,
    slope_mismatch_pct,
    slope_to_enter,
)
from models.bench.causes import Check, Expectation, Suspicion
from models.bench.document_types import (
    BudgetRow,
    CheckRow,
    Conclusions,
    Errors,
    Expected,
    OtherStages,
    ReadingRow,
    RingNames,
    SessionDocument,
    Sides,
    SlopeKeys,
    SuspicionRow,
)
from models.bench.measurement import LEFT, MASS, RIGHT, Reading, ring_names
from models.bench.result import Gain, SessionResult
from models.metrology import Z90, Budget, Term, accept_limits_nm, percent_from_ln
from models.wording import said

PCT_DIGITS = 6
SLOPE_DIGITS = 10


def session_document(result: SessionResult) -> SessionDocument:
    """Return the `bench` document of one session."""
    session = result.session
    return {
        "session_id": session.session_id,
        "meter_id": session.meter_id,
        "measured_at": None if session.measured_at is None else session.measured_at.isoformat(),
        "reason": said(result.reason),
        "incomplete": session.incomplete,
        "kind": session.rule.kind,
        "readings": [_reading(r, session.tolerance_pct) for r in session.readings],
        "zero_offset_nm": _number(result.zero_offset_nm),
        **_errors(result),
        **_expected(result.expected),
        **_sides(result),
        **_slopes(result),
        **_other_stages(result),
        **_conclusions(result),
    }


def _errors(result: SessionResult) -> Errors:
    gain, limit = result.found, result.session.tolerance_pct
    largest = None if gain is None else gain.budget.largest
    return {
        "gain_error_pct": None if gain is None else _number(gain.error_pct),
        "gain_error_left_pct": _number(result.side_error_pct(LEFT)),
        "gain_error_right_pct": _number(result.side_error_pct(RIGHT)),
        "standard_uncertainty_pct": None if gain is None else _number(gain.budget.u_pct),
        "expanded_uncertainty_pct": None if gain is None else _number(gain.budget.expanded_pct),
        "coverage_factor": None if gain is None else _number(gain.budget.coverage_factor),
        "effective_dof": None if gain is None else _number(gain.budget.dof),
        "budget": [] if gain is None else _budget(gain.budget),
        "largest_term": None if largest is None else largest.source,
        "shrink_it": None if gain is None else said(remedy_of(gain.budget)),
        "ring_difference_pct": _percent(result.ring_difference),
        "arm_difference_pct": _percent(result.arm_difference),
        "u_difference_pct": _percent(result.u_difference),
        "rings": None if gain is None else _rings(result, gain),
        "linearity_pct": _number(result.linearity_pct),
        "repeatability_pct": None if gain is None else _percent(gain.stage.scatter.sd),
        "hysteresis_pct": _percent(result.hysteresis),
        "tolerance_pct": limit,
        "verdict": result.verdict,
        "p_in_tolerance": _number(result.p_in_tolerance),
    }


def _expected(expected: Expectation | None) -> Expected:
    if expected is None:
        return {}
    ends = (expected.mean - Z90 * expected.sd, expected.mean + Z90 * expected.sd)
    return {"forecast90_pct": [round(float(percent_from_ln(end)), PCT_DIGITS) for end in ends]}


def _sides(result: SessionResult) -> Sides:
    limit = result.session.tolerance_pct
    found: dict[str, object] = {}
    for arm, side in result.sides.items():
        found[f"expanded_uncertainty_{arm}_pct"] = _number(side.budget.expanded_pct)
        found[f"verdict_{arm}"] = side.verdict(limit)
        found[f"p_in_tolerance_{arm}"] = _number(side.p_within(limit))
    return cast("Sides", found)


def _slopes(result: SessionResult) -> SlopeKeys:
    slopes = result.session.slopes
    left, right = (result.new_slope_sides.get(arm) for arm in (LEFT, RIGHT))
    off = slope_mismatch_pct(slopes.after, result.new_slope)
    off_left = slope_mismatch_pct(slopes.after_left, left)
    off_right = slope_mismatch_pct(slopes.after_right, right)
    if off is None:
        sides = [o for o in (off_left, off_right) if o is not None]
        off = max(sides, key=abs, default=None)
    whole = result.basis()
    return {
        "slope_convention": result.session.meter.convention,
        "slope_before": slopes.before,
        "slope_after": slopes.after,
        "new_slope": _slope(result.new_slope),
        "new_slope_left": _slope(left),
        "new_slope_right": _slope(right),
        "new_slope_after_work": None if result.after_work is None else _new_slope(whole),
        "slope_step": result.session.meter.slope_step,
        "recommended_slope": _slope(result.recommended_slope()),
        "recommended_slope_left": _slope(result.recommended_slope(LEFT)),
        "recommended_slope_right": _slope(result.recommended_slope(RIGHT)),
        "slope_to_enter": _to_enter(whole),
        "slope_to_enter_left": _to_enter(result.basis(LEFT)),
        "slope_to_enter_right": _to_enter(result.basis(RIGHT)),
        "rounding_residual_pct": None if whole is None else _number(rounding_residual_pct(whole)),
        "slope_mismatch_pct": _number(off),
        "slope_mismatch_left_pct": _number(off_left),
        "slope_mismatch_right_pct": _number(off_right),
    }


def _new_slope(basis: Basis | None) -> float | None:
    return None if basis is None else _slope(basis.new_slope)


def _to_enter(basis: Basis | None) -> float | None:
    return None if basis is None else _slope(slope_to_enter(basis))


def _other_stages(result: SessionResult) -> OtherStages:
    found: dict[str, object] = {}
    for name, gain, sides in (
        ("after_work", result.after_work, result.after_work_sides),
        ("as_left", result.as_left, result.as_left_sides),
    ):
        known = (None, None) if gain is None else (gain.error_pct, gain.budget.expanded_pct)
        found[f"{name}_gain_error_pct"] = _number(known[0])
        found[f"{name}_expanded_uncertainty_pct"] = _number(known[1])
        found[f"{name}_verdict"] = result.verdict_of(gain, sides)
    for arm, side in result.as_left_sides.items():
        found[f"as_left_gain_error_{arm}_pct"] = _number(side.error_pct)
    return cast("OtherStages", found)


def _conclusions(result: SessionResult) -> Conclusions:
    advice = result.advice
    return {
        "advice": None if advice is None else advice.code,
        "advice_text": None if advice is None else str(advice.reason),
        "suspicions": [_suspicion(s) for s in result.suspicions],
        "checks": [_check(c) for c in result.checks],
        "assumptions": [str(assumption) for assumption in result.session.assumptions],
        "findings": [str(finding) for finding in result.findings],
    }


def _rings(result: SessionResult, gain: Gain) -> RingNames | None:
    names = ring_names(gain.stage, result.session)
    return None if names is None else {"small": names[0], "large": names[1]}


def _reading(r: Reading, tolerance_pct: float) -> ReadingRow:
    limits = None
    if r.expected_nm is not None:
        limits = accept_limits_nm(r.expected_nm, tolerance_pct, zero_nm=r.zero_nm or 0.0)
    return {
        "stage": r.stage,
        "load": r.load,
        "direction": r.direction,
        "chainring": r.chainring,
        "arm": r.arm,
        "mass_kg": None if r.hung is None else r.hung.total_kg,
        "torque_nm": r.torque_nm,
        "zero_nm": _number(r.zero_nm),
        "expected_torque_nm": _number(r.expected_nm) if r.load == MASS else 0.0,
        "accept_nm": None if limits is None else [round(limit, PCT_DIGITS) for limit in limits],
        "error_pct": None if r.ratio is None else _number(100 * (r.ratio - 1)),
        "reason": said(r.reason),
    }


def _budget(budget: Budget) -> list[BudgetRow]:
    total = budget.u_pct**2
    return [_term(term, total) for term in budget.terms]


def _term(term: Term, total: float) -> BudgetRow:
    return {
        "source": term.source,
        "standard_uncertainty_pct": _number(term.u_pct),
        "type": term.type,
        "distribution": term.distribution,
        "shared": term.shared,
        "dof": _number(term.dof),
        "sensitivity": _number(term.sensitivity),
        "input_uncertainty": _number(term.u_input),
        "input_unit": term.unit or None,
        "share_of_variance": _number(term.u_pct**2 / total if total > 0 else None),
    }


def _suspicion(s: Suspicion) -> SuspicionRow:
    return {
        "kind": s.kind,
        "entered": s.entered,
        "would_explain": s.would_explain,
        "residual_pct": _number(s.residual_pct),
        "text": str(s.reason),
        "fix": s.fix,
        "probability": _number(s.probability),
    }


def _check(c: Check) -> CheckRow:
    return {
        "kind": c.kind,
        "what": str(c.reason),
        "entered": c.entered,
        "would_explain": c.would_explain,
        "residual_pct": _number(c.residual_pct),
        "probability": _number(c.probability),
    }


def _percent(ratio: float | None) -> float | None:
    return None if ratio is None else _number(100 * ratio)


def _number(value: float | None) -> float | None:
    """Return a number rounded for printing; null for what is not finite."""
    if value is None or not math.isfinite(value):
        return None
    return round(value, PCT_DIGITS)


def _slope(value: float | None) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{SLOPE_DIGITS}g}")
