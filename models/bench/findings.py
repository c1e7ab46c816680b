"""What else a session shows that a mechanic should know: no mistake, no part of the error."""

from __future__ import annotations

from collections.abc import Iterator

from models.bench.advice import WRONG_WAY, Basis, slope_mismatch_pct, slope_to_enter
from models.bench.causes import SAME_LENGTH_MM, Suspicion
from models.bench.measurement import LEFT, MASS, RIGHT, bends
from models.bench.result import SessionResult
from models.metrology import ln_from_ratio
from models.wording import Reason, slope_text

ARM_LIMIT_PCT = 1.5
RING_LIMIT_PCT = 2.5
"""Differences that good meters do not show; and SURE standard uncertainties beyond zero."""
SURE = 3.0
RIPPLE = 0.01
ZERO_LARGE_NM = 1.0
SCATTER_LARGE_PCT = 0.5
SLIP_PCT = 0.3


def findings_of(result: SessionResult) -> list[Reason]:
    """Return what a session shows beside its error, in the order in which it matters."""
    loose = hold(result)
    return [
        *([] if loose is None else [loose]),
        *_work(result),
        *_length_set(result),
        *_rings(result),
        *_coverage(result),
        *_scatter(result),
        *_bend(result),
        *_zero(result),
        *_slope(result),
    ]


def hold(result: SessionResult) -> Reason | None:
    """Return what must be mended before any reset: drag or looseness between the arms.

    None once the meter was measured again after work.
    """
    gap, u = result.arm_difference, result.u_difference or 0.0
    if gap is None or result.session.rule.own_slopes or result.after_work is not None:
        return None
    if abs(gap) < max(ARM_LIMIT_PCT / 100, SURE * u):
        return None
    return Reason("arms_differ", gap_pct=100 * gap)


def _work(result: SessionResult) -> Iterator[Reason]:
    if result.found is not None and result.after_work is not None:
        change = result.after_work.error_pct - result.found.error_pct
        yield Reason("work_changed", change_pct=change)


def _length_set(result: SessionResult) -> Iterator[Reason]:
    """Yield a length set in the meter that is not the crank's, unless it is to be mended."""
    session, gain = result.session, result.deciding
    set_mm = session.installation.programmed_mm if session.installation else None
    length = session.crank_length_mm
    if gain is None or not (session.rule.uses_length and set_mm and length):
        return
    named = any(s.kind == "crank_length" for s in result.suspicions)
    if not named and abs(set_mm - length) >= SAME_LENGTH_MM:
        rest = 100 * (gain.ratio * length / set_mm - 1)
        yield Reason(
            "length_set_with_slope", programmed_mm=set_mm, length_mm=length, residual_pct=rest
        )


def _rings(result: SessionResult) -> Iterator[Reason]:
    gap, u = result.ring_difference, result.u_difference or 0.0
    installed = result.session.installation
    if installed is not None and installed.oval:
        yield Reason("oval_rings")
    if gap is None or not result.session.rule.rings:
        return
    if abs(gap) >= max(RING_LIMIT_PCT / 100, SURE * u):
        yield Reason("rings_differ", gap_pct=100 * gap)


def _coverage(result: SessionResult) -> Iterator[Reason]:
    """Yield what a full session would have read and this one did not."""
    if result.found is None:
        return
    rule, cells = result.session.rule, result.found.stage.cells
    arms = {arm for arm, _ in cells if arm is not None}
    rings = {ring for _, ring in cells if ring is not None}
    if len(rule.arms) == 2 and len(arms) == 1 and not rule.through_chain:
        yield Reason("arm_not_loaded", arm=RIGHT if LEFT in arms else LEFT)
    if rule.rings and len(rings) == 1:
        yield Reason("one_ring_only", ring=next(iter(rings)))
    if rings and not rule.rings and not rule.through_chain:
        yield Reason("ring_matters_not", title=rule.title)
    left_out = {r.reason for r in result.session.readings if r.load == MASS and r.reason}
    if left_out:
        yield Reason("left_out", each=tuple(sorted(left_out, key=str)))


def _scatter(result: SessionResult) -> Iterator[Reason]:
    sd = None if result.found is None else result.found.stage.scatter.sd
    if sd is not None and 100 * sd > SCATTER_LARGE_PCT:
        yield Reason("scatter", sd_pct=100 * sd)
    used = () if result.found is None else result.found.stage.used
    if any(r.sd_nm and r.sd_nm > RIPPLE * abs(r.torque_nm) for r in used):
        yield Reason("ripple", limit_pct=100 * RIPPLE)


def _bend(result: SessionResult) -> Iterator[Reason]:
    bent = result.linearity_pct
    if result.found is not None and bent is not None and bends(result.found.stage):
        yield Reason("bend", bend_pct=bent)


def _zero(result: SessionResult) -> Iterator[Reason]:
    zero = result.zero_offset_nm
    if zero is not None and abs(zero) > ZERO_LARGE_NM:
        yield Reason("large_zero", zero_nm=zero)


def _slope(result: SessionResult) -> Iterator[Reason]:
    """Yield a slope entered that is not the one the readings ask for."""
    for arm, before, after, basis in _entered(result):
        off = slope_mismatch_pct(after, basis.new_slope)
        if off is None or _went_wrong_way(before, after, basis.new_slope):
            continue
        if abs(off) > max(basis.budget.expanded_pct, SLIP_PCT):
            yield Reason("slope_slip", side=arm, off_pct=off)


def wrong_way(result: SessionResult) -> Iterator[Suspicion]:
    """Yield a slope that was changed the wrong way, as if multiplier were divisor."""
    for arm, before, after, basis in _entered(result):
        if _went_wrong_way(before, after, basis.new_slope):
            right = slope_to_enter(basis) or 0.0
            entered, best = (slope_text(slope, basis.slope_step) for slope in (after, right))
            reason = Reason("slope_changed", side=arm, entered=entered, right=best)
            yield Suspicion(WRONG_WAY, after, right, None, reason, "setting")


def _entered(result: SessionResult) -> Iterator[tuple[str | None, float, float, Basis]]:
    """Yield each side's slope before and after where it was changed, with what advice rests on."""
    slopes = result.session.slopes
    entered = {
        None: (slopes.before, slopes.after),
        LEFT: (slopes.before_left, slopes.after_left),
        RIGHT: (slopes.before_right, slopes.after_right),
    }
    for arm, (before, after) in entered.items():
        basis = result.basis(arm)
        if basis is not None and before and after and after != before:
            yield arm, before, after, basis


def _went_wrong_way(before: float, after: float, right: float | None) -> bool:
    """Return whether a change mirrors the right one: nearer to before²/right than half-way."""
    if not right or right <= 0 or before <= 0 or after <= 0:
        return False
    wanted, made = ln_from_ratio(right / before), ln_from_ratio(after / before)
    return abs(wanted) > SLIP_PCT and abs(made + wanted) < abs(wanted) / 2
