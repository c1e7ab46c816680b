"""Bench sessions evaluated: gain error, uncertainty, verdict, new slope, suspicions, advice."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence

import polars as pl

from models.bench.advice import LEAVE, REPEAT, Advice, advise, new_slope
from models.bench.document import session_document
from models.bench.findings import hold, remarks
from models.bench.measurement import (
    AFTER_WORK,
    AS_FOUND,
    AS_LEFT,
    LEFT,
    MASS,
    RIGHT,
    STAGES,
    Known,
    Scatter,
    Session,
    Setups,
    Stage,
    arm_difference,
    difference_u,
    display_step_nm,
    evaluate_stage,
    hysteresis,
    interaction,
    linearity_pct,
    read_sessions,
    ring_difference,
    session_budget,
    setups_of,
    side_of,
)
from models.bench.own_past import Observed, Past
from models.bench.pasts import Timeline, observed
from models.bench.result import Gain, SessionResult, worst
from models.bench.suspicions import Case, Suspicion, suspicions

UNEXPECTED = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError)
"""What a session's numbers may provoke: it becomes the session's reason, never the fleet's."""


def evaluate_bench(
    tables: Mapping[str, pl.DataFrame],
    *,
    tolerance_pct: float = 1.5,
    incomplete: frozenset[str] = frozenset(),
    earlier: pl.DataFrame | None = None,
) -> list[SessionResult]:
    """Evaluate every bench session.

    In   tables: `bench`, and where there are any `meters`, `mass_sets`, `places`,
         `installations`, typed as in the schema; absent columns count as null
         tolerance_pct: of meters that have none of their own
         incomplete: session_ids that lost rows at intake
         earlier: sessions evaluated before, as from `session_frame`; with the earlier ones
         of the table itself they say what error a meter is expected to have
    Out  one result a session, in the order of the sessions' first rows. A session that cannot
         be evaluated keeps its row, with a reason; none raises.
    """
    known = Known.of(tables)
    sessions = read_sessions(tables, known, tolerance_pct=tolerance_pct, incomplete=incomplete)
    results = [_measured(session) for session in sessions]
    setups = setups_of(sessions, known)
    timeline = Timeline(earlier, {s.session_id for s in sessions})
    for result in sorted(results, key=_when):
        try:
            _judge(result, timeline.before(result.session), setups)
        except UNEXPECTED as error:
            result.reason = result.reason or _unexpected(error)
    return results


def _when(result: SessionResult) -> tuple[str, float]:
    at = result.session.measured_at
    return result.session.meter_id or "", at.timestamp() if at else 0.0


def _unexpected(error: Exception) -> str:
    return f"could not be evaluated ({type(error).__name__}: {error})"


def _measured(session: Session) -> SessionResult:
    """The session's numbers; a failure becomes its reason."""
    try:
        return _evaluate(session)
    except UNEXPECTED as error:
        return SessionResult(session, reason=_unexpected(error))


def _evaluate(session: Session) -> SessionResult:
    result = SessionResult(session, reason=session.refusal)
    stages = {name: evaluate_stage(session, name) for name in STAGES}
    if session.refusal is not None:
        return result
    result.step_nm = display_step_nm(session)
    result.scatter = _all_scatter(stages.values())
    result.found, result.sides = _gains(result, stages[AS_FOUND])
    result.after_work, result.after_work_sides = _gains(result, stages[AFTER_WORK])
    result.as_left, result.as_left_sides = _gains(result, stages[AS_LEFT])
    if result.found is None:
        result.reason = _why_not(session)
    else:
        _differences(result, result.found.stage)
        _recommend(result, result.found)
    return result


def _differences(result: SessionResult, found: Stage) -> None:
    result.ring_difference = ring_difference(found, result.session)
    result.arm_difference = arm_difference(found)
    result.hysteresis = hysteresis(found)
    result.linearity_pct = linearity_pct(found)
    result.u_difference = difference_u(
        found, result.scatter, step_nm=result.step_nm, cells=len(found.cells)
    )


def _gains(result: SessionResult, stage: Stage | None) -> tuple[Gain | None, dict[str, Gain]]:
    """Gain error of a stage, and of its sides where they are meters of their own."""
    if stage is None:
        return None, {}
    parts: dict[str, Stage] = {}
    if result.session.rule.own_slopes:
        cut = ((arm, side_of(stage, arm)) for arm in (LEFT, RIGHT))
        parts = {arm: part for arm, part in cut if part is not None}
    ratios = tuple(part.ratio for part in parts.values())
    sides = {arm: _gain(result, part, ()) for arm, part in parts.items()}
    return _gain(result, stage, ratios), sides


def _gain(result: SessionResult, stage: Stage, sides: tuple[float, ...]) -> Gain:
    return Gain(
        stage,
        session_budget(
            result.session, stage, scatter=result.scatter, step_nm=result.step_nm, sides=sides
        ),
    )


def _all_scatter(stages: Iterable[Stage | None]) -> Scatter:
    """How readings that should agree scatter, over all stages of the session."""
    scatter = Scatter()
    for stage in stages:
        if stage is not None:
            scatter = scatter.plus(stage.scatter).plus(interaction(stage))
    return scatter


def _why_not(session: Session) -> str:
    """Why there is no gain error."""
    hung = [r for r in session.readings if r.load == MASS]
    reasons = list(dict.fromkeys(r.reason for r in hung if r.reason))
    if reasons:
        return "; ".join(reasons)
    return "no as-found reading with a mass" if hung else "no reading with a mass"


def _recommend(result: SessionResult, found: Gain) -> None:
    """New slopes from the as-found error."""
    convention, slopes = result.session.meter.convention, result.session.slopes
    result.new_slope = new_slope(slopes.before, found.ratio, convention=convention)
    for arm, before in ((LEFT, slopes.before_left), (RIGHT, slopes.before_right)):
        ratio = result.side_ratio(arm)
        if ratio is not None:
            result.new_slope_sides[arm] = new_slope(before, ratio, convention=convention)


# --- against the meter's past -----------------------------------------------------------------


def _judge(result: SessionResult, past: Past, setups: Setups) -> None:
    """Suspicions and advice, in the order of time; then the session joins the past."""
    deciding = result.deciding
    if result.found is None or deciding is None:
        result.advice = _advice_without_found(result)
        return
    now = observed(result)
    result.suspicions = _suspect(result, deciding, past=past, now=now, setups=setups)
    result.remarks = remarks(result)
    asked = [result.finding(arm) for arm in result.deciding_sides] or [result.finding()]
    loose = hold(result)
    result.advice = worst(advise(f, result.suspicions, hold=loose) for f in asked if f is not None)
    if now is not None and not result.suspicions:
        past.learn(now)


def _suspect(
    result: SessionResult, gain: Gain, *, past: Past, now: Observed | None, setups: Setups
) -> list[Suspicion]:
    """Of the state that decides: what work mended was no mistake of the entry."""
    session, used = result.session, gain.stage.used
    stand_in = now or Observed(session.measured_at, 0.0, None, None, None, gain.u_ln)
    expected = past.expect(stand_in)
    case = Case(
        session=session,
        stage=gain.stage,
        u=gain.part_ln("session") if expected.known else gain.u_ln,
        per_nm=sum(1 / (r.expected_nm or 1.0) for r in used) / len(used),
        expected=expected,
        now=stand_in,
        before=past.last,
        u_difference=result.u_difference or 0.0,
        sets=setups.others(session.bench_id),
        hanger_kg=setups.hangers.get(session.bench_id or ""),
    )
    return suspicions(case)


def _advice_without_found(result: SessionResult) -> Advice:
    """Where nothing was found: look at what was left, else repeat."""
    left = result.as_left or result.after_work
    session = result.session
    if left is not None:
        limit = session.tolerance_pct
        said = f"as left {left.error_pct:+.2f} % ± {left.budget.expanded_pct:.2f} %"
        if abs(left.error_pct) <= max(limit, left.budget.expanded_pct):
            return Advice(LEAVE, f"No as-found reading; {said}.")
        return Advice(REPEAT, f"No as-found reading; {said} is beyond the limit.")
    if session.meter.static_check is False:
        return Advice(LEAVE, result.reason or "")
    return Advice(REPEAT, f"Not evaluated: {result.reason}.")


# --- the frame --------------------------------------------------------------------------------

SESSION_SCHEMA: dict[str, pl.DataType] = {
    **dict.fromkeys(("session_id", "meter_id"), pl.String()),
    "measured_at": pl.Datetime("us", "UTC"),
    **dict.fromkeys(("bench_id", "place_id", "workshop", "technician", "crank_id"), pl.String()),
    **dict.fromkeys(
        (
            *("crank_length_mm", "temperature_c", "soak_min", "gain_error_pct", "gain_error_ln"),
            *("u_session_pct", "dof_session", "u_bench_pct", "u_place_pct", "u_crank_pct"),
            *("u_meter_pct", "expanded_uncertainty_pct", "coverage_factor"),
        ),
        pl.Float64(),
    ),
    **dict.fromkeys(("verdict", "advice"), pl.String()),
    **dict.fromkeys(
        (
            *("slope_before", "slope_after", "new_slope"),
            *("slope_before_left", "slope_after_left", "new_slope_left"),
            *("slope_before_right", "slope_after_right", "new_slope_right"),
            *("as_left_gain_error_pct", "zero_offset_nm"),
            *("after_work_gain_error_ln", "u_after_work_pct", "dof_after_work"),
        ),
        pl.Float64(),
    ),
    "incomplete": pl.Boolean(),
    "document": pl.String(),
}


def session_frame(results: Sequence[SessionResult]) -> pl.DataFrame:
    """One row a session, columns of SESSION_SCHEMA; `document` is `session_document` as JSON.

    The five u_…_pct are standard uncertainties of gain_error_ln (100·ln): random for this
    session (with dof_session, null if infinite), and shared through the mass set, the place,
    the crank and the meter. Sessions without a gain error have nulls there. after_work_… is
    what was found, in 100·ln, after work that left the slope alone.
    """
    rows = [
        {**result.row(), "document": json.dumps(session_document(result), ensure_ascii=False)}
        for result in results
    ]
    return pl.DataFrame(rows, schema=SESSION_SCHEMA, orient="row")
