"""A session's result as the `bench` command prints it: plain numbers, null for unknown."""

from __future__ import annotations

import math
from typing import Any

from models.bench.advice import (
    Finding,
    rounding_residual_pct,
    shrink_it,
    slope_mismatch_pct,
    slope_to_enter,
)
from models.bench.measurement import LEFT, MASS, RIGHT, Reading, ring_names
from models.bench.result import Gain, SessionResult
from models.bench.suspicions import Suspicion
from models.metrology import Budget, Term, accept_limits_nm

PCT_DIGITS = 6
SLOPE_DIGITS = 10


def session_document(result: SessionResult) -> dict[str, Any]:
    """The contract's `bench` entry of one session, and more."""
    session = result.session
    return {
        "session_id": session.session_id,
        "meter_id": session.meter_id,
        "measured_at": None if session.measured_at is None else session.measured_at.isoformat(),
        "reason": result.reason,
        "incomplete": session.incomplete,
        "kind": session.rule.kind,
        "readings": [_reading(r, session.tolerance_pct) for r in session.readings],
        "zero_offset_nm": _number(result.zero_offset_nm),
        **_errors(result),
        **_slopes(result),
        **_other_stages(result),
        "advice": None if result.advice is None else result.advice.code,
        "advice_text": None if result.advice is None else result.advice.text,
        "suspicions": [_suspicion(s) for s in result.suspicions],
        "assumptions": list(session.notes),
        "findings": result.remarks,
    }


def _errors(result: SessionResult) -> dict[str, Any]:
    gain, limit = result.found, result.session.tolerance_pct
    sides = {
        f"{name}_{arm}{unit}": value
        for arm in (LEFT, RIGHT)
        if (side := result.sides.get(arm)) is not None
        for name, unit, value in (
            ("expanded_uncertainty", "_pct", _number(side.budget.expanded_pct)),
            ("verdict", "", side.verdict(limit)),
            ("p_in_tolerance", "", _number(side.p_within(limit))),
        )
    }
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
        "shrink_it": None if gain is None else shrink_it(gain.budget),
        "ring_difference_pct": _percent(result.ring_difference),
        "arm_difference_pct": _percent(result.arm_difference),
        "u_difference_pct": _percent(result.u_difference),
        "rings": None if gain is None else _rings(result, gain),
        "linearity_pct": _number(result.linearity_pct),
        "repeatability_pct": None if gain is None else _percent(gain.stage.scatter.sd),
        "hysteresis_pct": _percent(result.hysteresis),
        "tolerance_pct": limit,
        "verdict": result.verdict,
        "p_in_tolerance": None if gain is None else _number(gain.p_within(limit)),
        **sides,
    }


def _slopes(result: SessionResult) -> dict[str, Any]:
    slopes = result.session.slopes
    left, right = (result.new_slope_sides.get(arm) for arm in (LEFT, RIGHT))
    mismatch = {
        "": slope_mismatch_pct(slopes.after, result.new_slope),
        "_left": slope_mismatch_pct(slopes.after_left, left),
        "_right": slope_mismatch_pct(slopes.after_right, right),
    }
    sides = [m for m in (mismatch["_left"], mismatch["_right"]) if m is not None]
    if mismatch[""] is None and sides:
        mismatch[""] = max(sides, key=abs)
    whole = result.finding()
    return {
        "slope_convention": result.session.meter.convention,
        "slope_before": slopes.before,
        "slope_after": slopes.after,
        "new_slope": _slope(result.new_slope),
        "new_slope_left": _slope(left),
        "new_slope_right": _slope(right),
        "new_slope_after_work": _after_work(result),
        "slope_to_enter": None if whole is None else _slope(slope_to_enter(whole)),
        "slope_to_enter_left": _side_slope(result, LEFT),
        "slope_to_enter_right": _side_slope(result, RIGHT),
        "rounding_residual_pct": None if whole is None else _number(rounding_residual_pct(whole)),
        **{f"slope_mismatch{side}_pct": _number(value) for side, value in mismatch.items()},
    }


def _after_work(result: SessionResult) -> float | None:
    finding = None if result.after_work is None else result.finding()
    return None if finding is None else _slope(finding.new_slope)


def _side_slope(result: SessionResult, arm: str) -> float | None:
    finding: Finding | None = result.finding(arm)
    return None if finding is None else _slope(slope_to_enter(finding))


def _other_stages(result: SessionResult) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name, gain in (("after_work", result.after_work), ("as_left", result.as_left)):
        out[f"{name}_gain_error_pct"] = None if gain is None else _number(gain.error_pct)
        out[f"{name}_expanded_uncertainty_pct"] = (
            None if gain is None else _number(gain.budget.expanded_pct)
        )
        out[f"{name}_verdict"] = (
            None if gain is None else gain.verdict(result.session.tolerance_pct)
        )
    for arm, side in result.as_left_sides.items():
        out[f"as_left_gain_error_{arm}_pct"] = _number(side.error_pct)
    return out


def _rings(result: SessionResult, gain: Gain) -> dict[str, str] | None:
    names = ring_names(gain.stage, result.session)
    return None if names is None else {"small": names[0], "large": names[1]}


def _reading(r: Reading, tolerance_pct: float) -> dict[str, Any]:
    hung = r.load == MASS
    limits = (
        accept_limits_nm(r.expected_nm, tolerance_pct, zero_nm=r.zero_nm or 0.0)
        if r.expected_nm is not None
        else None
    )
    return {
        "stage": r.stage,
        "load": r.load,
        "direction": r.direction,
        "chainring": r.chainring,
        "arm": r.arm,
        "mass_kg": None if r.hung is None else r.hung.total_kg,
        "torque_nm": r.torque_nm,
        "zero_nm": _number(r.zero_nm),
        "expected_torque_nm": _number(r.expected_nm) if hung else 0.0,
        "accept_nm": None if limits is None else [_number(limit) for limit in limits],
        "error_pct": None if r.ratio is None else _number(100 * (r.ratio - 1)),
        "reason": r.reason,
    }


def _budget(budget: Budget) -> list[dict[str, Any]]:
    total = budget.u_pct**2
    return [_term(term, total) for term in budget.terms]


def _term(term: Term, total: float) -> dict[str, Any]:
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


def _suspicion(s: Suspicion) -> dict[str, Any]:
    return {
        "kind": s.kind,
        "entered": s.entered,
        "would_explain": s.would_explain,
        "residual_pct": _number(s.residual_pct),
        "text": s.text,
        "fix": s.fix,
        "probability": _number(s.probability),
    }


def _percent(ratio: float | None) -> float | None:
    return None if ratio is None else _number(100 * ratio)


def _number(value: float | None) -> float | None:
    """Rounded for printing; what is not finite is null."""
    if value is None or not math.isfinite(value):
        return None
    return round(value, PCT_DIGITS)


def _slope(value: float | None) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{SLOPE_DIGITS}g}")
