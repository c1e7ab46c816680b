"""Bench sessions evaluated: gain error, uncertainty, verdict, new slope, suspicions, advice.

Each session is evaluated alone; then, in the order of time, it is held against its meter's past.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import reduce

import polars as pl

from models.bench.advice import LEAVE, REPEAT, Advice, advise, new_slope
from models.bench.findings import findings_of, hold
from models.bench.measurement import (
    AFTER_WORK,
    AS_FOUND,
    AS_LEFT,
    LEFT,
    MASS,
    NO_SCATTER,
    RIGHT,
    STAGES,
    Displays,
    Hands,
    ReferenceData,
    Scatter,
    Session,
    Setups,
    Stage,
    arm_difference,
    difference_u,
    evaluate_stage,
    hands_of,
    hysteresis,
    interaction,
    linearity_pct,
    read_sessions,
    repeats,
    ring_difference,
    session_budget,
    setups_of,
    side_of,
)
from models.bench.own_past import Observed, Past
from models.bench.pasts import Timeline, observed
from models.bench.result import Gain, SessionResult, worst
from models.bench.suspicions import Case, Suspicion, suspicions
from models.wording import Reason

UNEXPECTED = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError)
"""What a session's numbers may provoke: it becomes the session's reason, never the fleet's."""


def evaluate_bench(
    tables: Mapping[str, pl.DataFrame],
    *,
    tolerance_pct: float = 1.5,
    incomplete: frozenset[str] = frozenset(),
    earlier: pl.DataFrame | None = None,
    in_order: bool = False,
) -> list[SessionResult]:
    """Evaluate every bench session.

    In   tables: `bench`, and where there are any `meters`, `mass_sets`, `places`,
         `installations`, typed as in the schema; absent columns count as null
         tolerance_pct: of meters that have none of their own
         incomplete: session_ids that lost rows at intake
         earlier: sessions evaluated before, of all meters, as from `session_frame`; with the
         earlier ones of the table itself they say what error a meter is expected to have
         in_order: how closely hangings repeat is learnt from days before a session's own, as it
         was known then; else from all sessions
    Out  one result a session, in the order of the sessions' first rows. A session that cannot
         be evaluated keeps its row, with a reason; none raises.
    """
    data = ReferenceData.of(tables)
    sessions = read_sessions(tables, data, tolerance_pct=tolerance_pct, incomplete=incomplete)
    staged = [_staged(session) for session in sessions]
    shown = [(result.session, result.repeats) for result in staged]
    hands = hands_of(shown, earlier, in_order=in_order)
    groups = {meter_id: meter.group for meter_id, (_, meter) in data.meters.items()}
    displays = Displays(sessions, groups, earlier)
    results = [_measured(one, hands, displays) for one in staged]
    setups = setups_of(sessions, data)
    timeline = Timeline(_of_meters(earlier, sessions), {s.session_id for s in sessions})
    for result in sorted(results, key=_when):
        try:
            _judge(result, timeline.before(result.session), setups)
        except UNEXPECTED as error:
            result.reason = result.reason or _unexpected(error)
    return results


def _of_meters(earlier: pl.DataFrame | None, sessions: list[Session]) -> pl.DataFrame | None:
    if earlier is None:
        return None
    return earlier.filter(pl.col("meter_id").is_in(list({s.meter_id for s in sessions})))


def _when(result: SessionResult) -> tuple[str, float]:
    at = result.session.measured_at
    return result.session.meter_id or "", at.timestamp() if at else 0.0


def _unexpected(error: Exception) -> Reason:
    return Reason("not_computed", problem=f"{type(error).__name__}: {error}")


def _staged(session: Session) -> SessionResult:
    """Return the session with its stages' means; a failure becomes its reason."""
    result = SessionResult(session, reason=session.refusal)
    try:
        stages = [evaluate_stage(session, name) for name in STAGES]
    except UNEXPECTED as error:
        result.reason = _unexpected(error)
        return result
    if session.refusal is None:
        result.stages = {stage.name: stage for stage in stages if stage is not None}
        result.repeats = _together(repeats(stage) for stage in result.stages.values())
    return result


def _measured(result: SessionResult, hands: Hands, displays: Displays) -> SessionResult:
    """Fill in the session's numbers; a failure becomes its reason."""
    if result.reason is None:
        try:
            result.step_nm = displays.step_nm(result.session)
            _evaluate(result, hands)
        except UNEXPECTED as error:
            return SessionResult(result.session, reason=_unexpected(error))
    return result


def _evaluate(result: SessionResult, hands: Hands) -> None:
    session, stages = result.session, result.stages
    own = _together(s.scatter.plus(interaction(s)) for s in stages.values())
    result.scatter = own.plus(hands.known(session, result.repeats))
    result.found, result.sides = _gains(result, stages.get(AS_FOUND))
    result.after_work, result.after_work_sides = _gains(result, stages.get(AFTER_WORK))
    result.as_left, result.as_left_sides = _gains(result, stages.get(AS_LEFT))
    if result.found is None:
        result.reason = _why_not(session)
    else:
        _differences(result, result.found.stage)
        _recommend(result, result.found)


def _differences(result: SessionResult, found: Stage) -> None:
    result.ring_difference = ring_difference(found, result.session)
    result.arm_difference = arm_difference(found)
    result.hysteresis = hysteresis(found)
    result.linearity_pct = linearity_pct(found)
    result.u_difference = difference_u(
        found, result.scatter, step_nm=result.step_nm, cells=len(found.cells)
    )


def _gains(result: SessionResult, stage: Stage | None) -> tuple[Gain | None, dict[str, Gain]]:
    """Return a stage's gain error, and its sides' where they are meters of their own."""
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


def _together(scatters: Iterable[Scatter]) -> Scatter:
    """Return how readings that should agree scatter, over all stages of the session."""
    return reduce(Scatter.plus, scatters, NO_SCATTER)


def _why_not(session: Session) -> Reason:
    """Return why there is no gain error."""
    hung = [r for r in session.readings if r.load == MASS]
    reasons = tuple(dict.fromkeys(r.reason for r in hung if r.reason))
    if reasons:
        return reasons[0] if len(reasons) == 1 else Reason("readings_left_out", each=reasons)
    return Reason("no_as_found") if hung else Reason("nothing_hung")


def _recommend(result: SessionResult, found: Gain) -> None:
    """Set the new slopes from the as-found error."""
    convention, slopes = result.session.meter.convention, result.session.slopes
    result.new_slope = new_slope(slopes.before, found.ratio, convention=convention)
    for arm, before in ((LEFT, slopes.before_left), (RIGHT, slopes.before_right)):
        ratio = result.side_ratio(arm)
        if ratio is not None:
            result.new_slope_sides[arm] = new_slope(before, ratio, convention=convention)


# --- against the meter's past -----------------------------------------------------------------


def _judge(result: SessionResult, past: Past, setups: Setups) -> None:
    """Set suspicions, findings and advice; then the session joins the meter's past."""
    deciding = result.deciding
    if result.found is None or deciding is None:
        result.advice = _advice_without_found(result)
        return
    now = observed(result)
    result.suspicions = _suspect(result, deciding, past=past, now=now, setups=setups)
    result.findings = findings_of(result)
    asked = [result.basis(arm) for arm in result.deciding_sides] or [result.basis()]
    loose = hold(result)
    result.advice = worst(advise(b, result.suspicions, hold=loose) for b in asked if b is not None)
    if now is not None and not result.suspicions:
        past.learn(now)


def _suspect(
    result: SessionResult, gain: Gain, *, past: Past, now: Observed | None, setups: Setups
) -> list[Suspicion]:
    """Return the suspicions of the state that decides: what work mended was no mistake."""
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
    """Return the advice where nothing was found: by what was left, else repeat."""
    left = result.as_left or result.after_work
    session = result.session
    if left is not None:
        expanded = left.budget.expanded_pct
        gain = Reason("gain", error_pct=left.error_pct, expanded_pct=expanded)
        if abs(left.error_pct) <= max(session.tolerance_pct, expanded):
            return Advice(LEAVE, Reason("left_within", left=gain))
        return Advice(REPEAT, Reason("left_beyond", left=gain))
    reason = result.reason or _why_not(session)
    if session.meter.static_check is False:
        return Advice(LEAVE, reason)
    return Advice(REPEAT, Reason("not_evaluated", reason=reason))
