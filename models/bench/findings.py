"""What else a session shows that a mechanic should know: no mistake, no part of the error."""

from __future__ import annotations

from collections.abc import Iterator

from models.bench.advice import slope_mismatch_pct
from models.bench.measurement import LEFT, MASS, RIGHT, bends
from models.bench.result import SessionResult

ARM_LIMIT_PCT = 1.5
RING_LIMIT_PCT = 2.5
"""Differences that good meters do not show; and SURE standard uncertainties beyond zero."""
SURE = 3.0
RIPPLE = 0.01
ZERO_LARGE_NM = 1.0
SCATTER_LARGE_PCT = 0.5
SLIP_PCT = 0.3


def remarks(result: SessionResult) -> list[str]:
    """Sentences, in the order in which they matter."""
    loose = hold(result)
    return [
        *([] if loose is None else [loose]),
        *_work(result),
        *_rings(result),
        *_coverage(result),
        *_scatter(result),
        *_bend(result),
        *_zero(result),
        *_slope(result),
    ]


def hold(result: SessionResult) -> str | None:
    """What must be mended before any reset: drag or looseness between the arms.

    None once the meter was measured again after work.
    """
    gap, u = result.arm_difference, result.u_difference or 0.0
    if gap is None or result.session.rule.own_slopes or result.after_work is not None:
        return None
    if abs(gap) < max(ARM_LIMIT_PCT / 100, SURE * u):
        return None
    return (
        f"left − right is {100 * gap:+.2f} %: a crank off level on one side, or drag or "
        "looseness in axle, bearings or bolts. Mend it and measure again (after_work) before "
        "any reset"
    )


def _work(result: SessionResult) -> Iterator[str]:
    if result.found is not None and result.after_work is not None:
        change = result.after_work.error_pct - result.found.error_pct
        yield (
            f"the work changed the error by {change:+.2f} %: that part was no drift, and the "
            "advice rests on what was measured after it"
        )


def _rings(result: SessionResult) -> Iterator[str]:
    gap, u = result.ring_difference, result.u_difference or 0.0
    installed = result.session.installation
    if installed is not None and installed.oval:
        yield (
            "oval rings: on the road torque times mean cadence reads high by some percent, which "
            "the bench cannot see and no slope mends"
        )
    if gap is None or not result.session.rule.rings:
        return
    if abs(gap) >= max(RING_LIMIT_PCT / 100, SURE * u):
        yield f"small − large ring is {100 * gap:+.2f} %: check the ring bolts"


def _coverage(result: SessionResult) -> Iterator[str]:
    """Cells that a full session would have."""
    if result.found is None:
        return
    rule, cells = result.session.rule, result.found.stage.cells
    arms = {arm for arm, _ in cells if arm is not None}
    rings = {ring for _, ring in cells if ring is not None}
    if len(rule.arms) == 2 and len(arms) == 1 and not rule.through_chain:
        missing = RIGHT if LEFT in arms else LEFT
        yield f"the {missing} arm was not loaded: nothing is known of it"
    if rule.rings and len(rings) == 1:
        yield f"only the {next(iter(rings))} ring was used: nothing is known of the other"
    if rings and not rule.rings and not rule.through_chain:
        yield f"a chainring makes no difference to a {rule.title}"
    if any(r.load == MASS and r.reason for r in result.session.readings):
        reasons = {r.reason for r in result.session.readings if r.reason}
        yield "readings left out: " + "; ".join(sorted(reasons))


def _scatter(result: SessionResult) -> Iterator[str]:
    sd = None if result.found is None else result.found.stage.scatter.sd
    if sd is not None and 100 * sd > SCATTER_LARGE_PCT:
        yield f"repeated readings scatter by {100 * sd:.2f} %: hang again, with the masses at rest"
    used = () if result.found is None else result.found.stage.used
    if any(r.sd_nm and r.sd_nm > RIPPLE * abs(r.torque_nm) for r in used):
        yield "the readings ripple by more than 1 %: average whole swings, or still the masses"


def _bend(result: SessionResult) -> Iterator[str]:
    bent = result.linearity_pct
    if result.found is not None and bent is not None and bends(result.found.stage):
        yield f"the readings leave a straight line by {bent:.2f} % of the largest load"


def _zero(result: SessionResult) -> Iterator[str]:
    zero = result.zero_offset_nm
    if zero is not None and abs(zero) > ZERO_LARGE_NM:
        yield f"{zero:+.2f} N·m are shown with nothing on: zero the meter before it is ridden"


def _slope(result: SessionResult) -> Iterator[str]:
    """A slope entered that is not the one the readings ask for."""
    slopes = result.session.slopes
    entered = {
        None: (slopes.before, slopes.after),
        LEFT: (slopes.before_left, slopes.after_left),
        RIGHT: (slopes.before_right, slopes.after_right),
    }
    for arm, (before, after) in entered.items():
        finding = result.finding(arm)
        if finding is None or after == before:
            continue
        off = slope_mismatch_pct(after, finding.new_slope)
        if off is not None and abs(off) > max(finding.budget.expanded_pct, SLIP_PCT):
            side = "" if arm is None else f" {arm}"
            yield (
                f"the{side} slope entered is {off:+.2f} % off the recommendation: "
                "a slip of the keys?"
            )
