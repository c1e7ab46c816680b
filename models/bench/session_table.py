"""Evaluated sessions as a table, one row a session: what the store keeps and the models read."""

from __future__ import annotations

import math
from collections.abc import Sequence

import polars as pl

from ingest.schema import document_column, frame_schema
from models.bench.document import session_document
from models.bench.document_types import SessionDocument
from models.bench.measurement import LEFT, RIGHT
from models.bench.result import Gain, SessionResult
from models.metrology import ln_from_ratio

SESSION_SCHEMA: dict[str, pl.DataType] = {
    **dict.fromkeys(("session_id", "meter_id"), pl.String()),
    "measured_at": pl.Datetime("us", "UTC"),
    **dict.fromkeys(("bench_id", "place_id", "workshop", "technician", "crank_id"), pl.String()),
    **dict.fromkeys(
        (
            *("crank_length_mm", "temperature_c", "soak_min", "gain_error_pct", "gain_error_ln"),
            *("u_session_pct", "dof_session", "u_bench_pct", "u_place_pct", "u_crank_pct"),
            *("u_meter_pct", "expanded_uncertainty_pct", "coverage_factor", "repeat_sd_pct"),
            *("step_nm", "side_half_ln", "u_side_half_pct"),
            *("ring_difference_pct", "arm_difference_pct"),
        ),
        pl.Float64(),
    ),
    "repeat_dof": pl.Int64(),
    **dict.fromkeys(("verdict", "advice"), pl.String()),
    **dict.fromkeys(
        (
            *("slope_before", "slope_after", "new_slope"),
            *("slope_before_left", "slope_after_left", "new_slope_left"),
            *("slope_before_right", "slope_after_right", "new_slope_right"),
            *("as_left_gain_error_pct", "zero_offset_nm"),
            *("slip_probability", "after_work_gain_error_ln", "u_after_work_pct", "dof_after_work"),
        ),
        pl.Float64(),
    ),
    "incomplete": pl.Boolean(),
    "document": pl.Struct(frame_schema(SessionDocument)),
}


def session_frame(results: Sequence[SessionResult]) -> pl.DataFrame:
    """Return one row a session, columns of SESSION_SCHEMA.

    The five u_…_pct are standard uncertainties of gain_error_ln (100·ln): random for this
    session (with dof_session, null if infinite), and shared through the mass set, the place,
    the crank and the meter. repeat_sd_pct is the scatter of the session's own repeated hangings,
    with repeat_dof; step_nm the step of its display; side_half_ln half of what a pair's left side
    reads above its right as the session left them, u_side_half_pct the random part of it;
    slip_probability: that a slip is behind what was found, as far as a suspicion is open.
    Sessions without a gain error have nulls there. after_work_… is what was found, in 100·ln,
    after work that left the slope alone. document: `session_document`.
    """
    columns = {name: kind for name, kind in SESSION_SCHEMA.items() if name != "document"}
    documents = [session_document(result) for result in results]
    rows = pl.DataFrame([_row(r) for r in results], schema=columns, orient="row")
    return rows.with_columns(document_column(documents, SessionDocument))


def _row(result: SessionResult) -> dict[str, object]:
    session, slopes, found = result.session, result.session.slopes, result.found
    sides, as_left = result.new_slope_sides, result.as_left
    return {
        "session_id": session.session_id,
        "meter_id": session.meter_id,
        "measured_at": session.measured_at,
        "bench_id": session.bench_id,
        "place_id": session.place_id,
        "workshop": session.workshop,
        "technician": session.technician,
        "crank_id": session.crank_id,
        "crank_length_mm": session.crank_length_mm,
        "temperature_c": session.temperature_c,
        "soak_min": session.soak_min,
        **_found(found),
        "repeat_sd_pct": _pct(result.repeats.sd),
        "repeat_dof": result.repeats.dof,
        "step_nm": result.step_nm,
        **_sides_left(result),
        "verdict": result.verdict,
        "advice": None if result.advice is None else result.advice.code,
        "slope_before": slopes.before,
        "slope_after": slopes.after,
        "new_slope": result.new_slope,
        "slope_before_left": slopes.before_left,
        "slope_after_left": slopes.after_left,
        "new_slope_left": sides.get(LEFT),
        "slope_before_right": slopes.before_right,
        "slope_after_right": slopes.after_right,
        "new_slope_right": sides.get(RIGHT),
        "as_left_gain_error_pct": None if as_left is None else as_left.error_pct,
        "zero_offset_nm": result.zero_offset_nm,
        **_after_work(result.after_work),
        "incomplete": session.incomplete,
        "slip_probability": result.slip_probability,
        "ring_difference_pct": _pct(result.ring_difference),
        "arm_difference_pct": _pct(result.arm_difference),
    }


def _pct(ratio: float | None) -> float | None:
    return None if ratio is None else 100 * ratio


def _found(gain: Gain | None) -> dict[str, object]:
    """Return the gain error with its parts; in 100·ln only where the meter showed anything."""
    if gain is None:
        return {}
    known: dict[str, object] = {
        "gain_error_pct": gain.error_pct,
        "expanded_uncertainty_pct": gain.budget.expanded_pct,
        "coverage_factor": gain.budget.coverage_factor,
    }
    if gain.ratio <= 0:
        return known
    shares = {
        f"u_{part}_pct": gain.part_ln(part)
        for part in ("session", "bench", "place", "crank", "meter")
    }
    in_ln = {"gain_error_ln": ln_from_ratio(gain.ratio), "dof_session": _dof(gain)}
    return known | shares | in_ln


def _sides_left(result: SessionResult) -> dict[str, object]:
    """Return half of left − right of a pair, 100·ln, with the slopes that were left in."""
    sides = result.as_left_sides or result.deciding_sides
    if set(sides) != {LEFT, RIGHT} or min(side.ratio for side in sides.values()) <= 0:
        return {}
    left, right = (
        ln_from_ratio(sides[arm].ratio)
        + (0.0 if result.as_left_sides else result.slope_change_ln(arm))
        for arm in (LEFT, RIGHT)
    )
    u = math.hypot(*(side.part_ln("session") for side in sides.values())) / 2
    return {"side_half_ln": (left - right) / 2, "u_side_half_pct": u}


def _after_work(gain: Gain | None) -> dict[str, object]:
    """Return what was found after work that left the slope alone: its error and random part."""
    if gain is None or gain.ratio <= 0:
        return {}
    return {
        "after_work_gain_error_ln": ln_from_ratio(gain.ratio),
        "u_after_work_pct": gain.part_ln("session"),
        "dof_after_work": _dof(gain),
    }


def _dof(gain: Gain) -> float | None:
    dof = gain.budget.part("session")[1]
    return dof if math.isfinite(dof) else None
