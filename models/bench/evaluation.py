"""Bench sessions evaluated: gain error, uncertainty, verdict, new slope, suspicions, advice.

Each session is evaluated alone; then it is held against its meter's past: see `judging`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import reduce

import polars as pl

from models.bench.advice import new_slope
from models.bench.causes import Movement, Observed, happenings, movement_of
from models.bench.judging import UNEXPECTED, Forecast, Judge
from models.bench.measurement import (
    AFTER_WORK,
    AS_FOUND,
    AS_LEFT,
    LEFT,
    NO_SCATTER,
    RIGHT,
    STAGES,
    Displays,
    Hands,
    ReferenceData,
    Scatter,
    Session,
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
from models.bench.pasts import Timeline, observed
from models.bench.result import Gain, SessionResult, unexpected, why_not


def evaluate_bench(
    tables: Mapping[str, pl.DataFrame],
    *,
    tolerance_pct: float = 1.5,
    incomplete: frozenset[str] = frozenset(),
    earlier: pl.DataFrame | None = None,
    in_order: bool = False,
    movement: Movement | None = None,
    forecasts: Mapping[str, Forecast] | None = None,
) -> list[SessionResult]:
    """Evaluate every bench session.

    In   tables: `bench`, and where there are any `meters`, `mass_sets`, `places`,
         `installations`, `events`, typed as in the schema; absent columns count as null
         tolerance_pct: of meters that have none of their own
         incomplete: session_ids that lost rows at intake
         earlier: sessions evaluated before, of all meters, as from `session_frame`; with the
         earlier ones of the table itself they say what error a meter is expected to have
         in_order: how closely hangings repeat is learnt from days before a session's own, as it
         was known then; else from all sessions
         movement: how the fleet's meters move (None: as these sessions and the earlier ones tell)
         forecasts: what the fleet model expects of a meter, by meter_id, before these sessions
    Out  one result a session, in the order of the sessions' first rows. A session that cannot
         be evaluated keeps its row, with a reason; none raises.
    """
    _judge, results = judged(
        tables,
        tolerance_pct=tolerance_pct,
        incomplete=incomplete,
        earlier=earlier,
        in_order=in_order,
        movement=movement,
        forecasts=forecasts,
    )
    return results


def judged(
    tables: Mapping[str, pl.DataFrame],
    *,
    tolerance_pct: float = 1.5,
    incomplete: frozenset[str] = frozenset(),
    earlier: pl.DataFrame | None = None,
    in_order: bool = False,
    movement: Movement | None = None,
    forecasts: Mapping[str, Forecast] | None = None,
) -> tuple[Judge, list[SessionResult]]:
    """Evaluate every bench session; return who judged, and so what the next one is held against.

    In   as of `evaluate_bench`
    """
    data = ReferenceData.of(tables)
    sessions = read_sessions(tables, data, tolerance_pct=tolerance_pct, incomplete=incomplete)
    staged = [_staged(session) for session in sessions]
    shown = [(result.session, result.repeats) for result in staged]
    hands = hands_of(shown, earlier, in_order=in_order)
    groups = {meter_id: meter.group for meter_id, (_, meter) in data.meters.items()}
    displays = Displays(sessions, groups, earlier)
    results = [_measured(one, hands, displays) for one in staged]
    happened = happenings(tables.get("events"))
    ours = {session.session_id for session in sessions}
    timeline = Timeline(_of_meters(earlier, sessions), ours, happened)
    timeline.movement = movement or _movement(results, timeline)
    judge = Judge(timeline, setups_of(sessions, data), forecasts or {})
    judge.judge(results)
    return judge, results


def _movement(results: Sequence[SessionResult], timeline: Timeline) -> Movement:
    """Return how the meters of these results, and of the sessions before them, move."""
    found: dict[str, list[Observed]] = {}
    for result in results:
        now = observed(result)
        if now is not None:
            found.setdefault(result.session.meter_id, []).append(now)
    for seen in found.values():
        seen.sort(key=lambda o: o.at.timestamp() if o.at else 0.0)
    conventions = {r.session.meter_id: r.session.meter.convention for r in results}
    return movement_of(timeline.moves(conventions, found))


def _of_meters(earlier: pl.DataFrame | None, sessions: list[Session]) -> pl.DataFrame | None:
    if earlier is None:
        return None
    return earlier.filter(pl.col("meter_id").is_in(list({s.meter_id for s in sessions})))


def _staged(session: Session) -> SessionResult:
    """Return the session with its stages' means; a failure becomes its reason."""
    result = SessionResult(session, reason=session.refusal)
    try:
        stages = [evaluate_stage(session, name) for name in STAGES]
    except UNEXPECTED as error:
        result.reason = unexpected(error)
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
            return SessionResult(result.session, reason=unexpected(error))
    return result


def _evaluate(result: SessionResult, hands: Hands) -> None:
    session, stages = result.session, result.stages
    own = _together(s.scatter.plus(interaction(s)) for s in stages.values())
    result.scatter = own.plus(hands.known(session, result.repeats))
    result.found, result.sides = _gains(result, stages.get(AS_FOUND))
    result.after_work, result.after_work_sides = _gains(result, stages.get(AFTER_WORK))
    result.as_left, result.as_left_sides = _gains(result, stages.get(AS_LEFT))
    if result.found is None:
        result.reason = why_not(session)
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


def _recommend(result: SessionResult, found: Gain) -> None:
    """Set the new slopes from the as-found error."""
    convention, slopes = result.session.meter.convention, result.session.slopes
    result.new_slope = new_slope(slopes.before, found.ratio, convention=convention)
    for arm, before in ((LEFT, slopes.before_left), (RIGHT, slopes.before_right)):
        ratio = result.side_ratio(arm)
        if ratio is not None:
            result.new_slope_sides[arm] = new_slope(before, ratio, convention=convention)
