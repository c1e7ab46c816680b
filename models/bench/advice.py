"""What to do after a bench session, and the slope that would have read right.

A slope nudged within the noise is worse than one left alone: it writes the session's own error
into the meter, and the meter's past no longer compares. So a reset needs an error larger than
its uncertainty, no open suspicion, and a slope step fine enough to do better.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from models.bench.causes import LOOK_COST, NO_DOUBT, Doubt, Suspicion
from models.metrology import IN, OUT, Budget
from models.wording import Reason

LEAVE, REPEAT, RESET = "leave", "repeat", "reset"
FIX_SETTING, SEND_AWAY = "fix_setting", "send_away"
UNDECIDED = (
    "outside_forecast",
    "look_first",
    "not_as_expected",
)  # kinds of reasons to hang again before a change
"""Why a session is repeated though no suspicion is open."""

DAMAGED_PCT = 8.0
"""An error beyond this, that nothing explains, is hung again before the slope is touched."""
RUINED_PCT = 25.0
"""An error beyond this, hung again, is a fault and nothing that a slope should hide."""
SURELY_BETTER = 0.95
"""Probability that a new slope leaves a meter within tolerance better than it was, at least."""
LIKELY_BETTER = 0.84
"""The same beyond tolerance: what an error as large as its uncertainty comes to, without a past."""
WORTH_A_RESET = 0.9
"""Part of the error that may remain after rounding to the slope's step, at most."""
BENT_FACTOR = 1.0
"""Linearity beyond this many tolerances is nothing that a slope can mend."""

ENOUGH_HANGS = 3
"""Agreeing hangs after which what they found is taken for true."""
SETTLED_HANGS, SETTLED_BETTER = 2, 0.75
"""Agreeing hangs after which another tells little, and odds of three to one have to do."""
PATIENCE = 4.0
"""Times that LOOK_COST grows with every hang that agrees: what is left to look at is unlikely."""
COVERAGE = 2.0
WRONG_WAY = "slope_changed"
"""A suspicion that concerns what was entered after the readings, and not them."""

REMEDIES = {
    "mass": Reason("shrink_mass"),
    "hanger_mass": Reason("shrink_hanger_mass"),
    "scale_gravity": Reason("shrink_scale_gravity"),
    "air_buoyancy": Reason("shrink_air_buoyancy"),
    "crank_length": Reason("shrink_crank_length"),
    "gravity": Reason("shrink_gravity"),
    "crank_angle": Reason("shrink_crank_angle"),
    "lean": Reason("shrink_lean"),
    "off_level": Reason("shrink_crank_angle"),
    "resolution": Reason("shrink_resolution"),
    "zero": Reason("shrink_zero"),
    "zero_drift": Reason("shrink_zero_drift"),
    "repeatability": Reason("shrink_repeatability"),
    "reading_noise": Reason("shrink_reading_noise"),
    "hysteresis": Reason("shrink_hysteresis"),
    "chain_loss": Reason("shrink_chain_loss"),
    "balance": Reason("shrink_balance"),
}
"""What would shrink the uncertainty most, by the budget's largest source."""


class Basis(NamedTuple):
    """What advice rests on, of the whole meter or of one side; errors and limits in %."""

    error_pct: float
    budget: Budget
    tolerance_pct: float
    verdict: str
    convention: str | None
    new_slope: float | None
    slope_step: float | None = None
    slope_min: float | None = None
    slope_max: float | None = None
    linearity_pct: float | None = None


class Advice(NamedTuple):
    """code: leave, repeat, reset, fix_setting, send_away; reason: why."""

    code: str
    reason: Reason


def advise(
    basis: Basis,
    found: Sequence[Suspicion],
    *,
    hold: Reason | None = None,
    doubt: Doubt = NO_DOUBT,
) -> Advice:
    """Return the advice; hold: what must be mended before any reset; doubt: what speaks against
    acting on this session alone."""
    if any(s.kind == WRONG_WAY for s in found):
        return Advice(FIX_SETTING, Reason("slope_to_undo"))
    if any(s.fix == "setting" for s in found):
        return Advice(FIX_SETTING, Reason("setting_explains"))
    if found:
        kinds = tuple(dict.fromkeys(s.kind for s in found))
        return Advice(REPEAT, Reason("not_trusted", suspected=kinds))
    bent = basis.linearity_pct
    if bent is not None and bent > BENT_FACTOR * basis.tolerance_pct:
        return Advice(SEND_AWAY, Reason("no_slope_mends", bend_pct=bent))
    advice = _by_size(basis, doubt)
    if advice.code in (RESET, SEND_AWAY):
        advice = _unless_looking_is_cheaper(advice, basis, doubt)
    return Advice(REPEAT, hold) if hold is not None and advice.code == RESET else advice


def _unless_looking_is_cheaper(advice: Advice, basis: Basis, doubt: Doubt) -> Advice:
    """Return the advice, or to look and hang again where that costs less than being wrong."""
    if doubt.agreed >= ENOUGH_HANGS:
        return advice
    found = _gain(basis)
    if doubt.outside and not doubt.agreed:
        return Advice(REPEAT, Reason("outside_forecast", found=found))
    if doubt.reset_harm > LOOK_COST * (1 + PATIENCE * doubt.agreed):
        return Advice(REPEAT, Reason("look_first", found=found))
    return advice


def _gain(basis: Basis) -> Reason:
    return Reason("gain", error_pct=basis.error_pct, expanded_pct=basis.budget.expanded_pct)


def _by_size(basis: Basis, doubt: Doubt) -> Advice:
    size, expanded = abs(basis.error_pct), basis.budget.expanded_pct
    found = _gain(basis)
    if size > DAMAGED_PCT and not doubt.agreed:
        return Advice(REPEAT, Reason("too_much_for_drift", found=found))
    if size > RUINED_PCT:
        return Advice(SEND_AWAY, Reason("ruined", found=found))
    expected = size <= expanded and _as_expected(basis, doubt)
    if size <= expanded and not expected:
        return _within_uncertainty(basis, found, doubt)
    if basis.convention == "fixed" or _beyond_range(basis):
        return _no_slope(basis, found)
    if basis.verdict == IN and doubt.better < SURELY_BETTER:
        return Advice(LEAVE, Reason("hardly_better", found=found))
    if not _likely_better(doubt):
        return Advice(REPEAT, Reason("not_as_expected", found=found))
    left = rounding_residual_pct(basis)
    if left is not None and abs(left) > WORTH_A_RESET * size:
        return Advice(LEAVE, Reason("step_too_coarse", found=found))
    rest = None if left is None else Reason("rounding_rest", left_pct=left)
    if expected:
        return Advice(RESET, Reason("worth_as_expected", found=found, rest=rest))
    return Advice(RESET, Reason("worth_a_reset", found=found, rest=rest))


def _as_expected(basis: Basis, doubt: Doubt) -> bool:
    """Return whether forecast and finding together ask for a reset that the finding alone cannot.

    The meter may well be beyond its tolerance, and a reset spares more than looking costs.
    """
    return basis.verdict != IN and doubt.spared > LOOK_COST and _likely_better(doubt)


def _likely_better(doubt: Doubt) -> bool:
    """Return whether a reset is likely enough to leave the meter better."""
    settled = doubt.agreed >= SETTLED_HANGS
    return doubt.better >= (SETTLED_BETTER if settled else LIKELY_BETTER)


def _within_uncertainty(basis: Basis, found: Reason, doubt: Doubt) -> Advice:
    """Return the advice for an error that its uncertainty covers: hanging again may help, or not.

    It cannot where masses, gravity or crank alone are too uncertain, however often they hang.
    """
    expanded, limit = basis.budget.expanded_pct, basis.tolerance_pct
    beyond = abs(basis.error_pct) > limit
    in_doubt = doubt.agreed < SETTLED_HANGS and doubt.own_harm > LOOK_COST
    if not beyond and expanded <= limit and not in_doubt:
        return Advice(LEAVE, Reason("within_uncertainty", found=found))
    u, own = basis.budget.u_pct, basis.budget.part("session")[0]
    stays = COVERAGE * math.sqrt(max(u**2 - own**2, 0.0))
    remedy = remedy_of(basis.budget)
    if stays > (abs(basis.error_pct) if beyond else limit) or doubt.agreed >= ENOUGH_HANGS:
        return Advice(LEAVE, Reason("no_repeat_helps", found=found, remedy=remedy))
    if beyond:
        return Advice(REPEAT, Reason("limit_in_doubt", found=found))
    return Advice(REPEAT, Reason("too_uncertain", found=found, remedy=remedy))


def _no_slope(basis: Basis, found: Reason) -> Advice:
    fixed = basis.convention == "fixed"
    obstacle = Reason("slope_fixed") if fixed else Reason("slope_range_ends")
    if basis.verdict == OUT:
        return Advice(SEND_AWAY, Reason("out_no_slope", found=found, obstacle=obstacle))
    if abs(basis.error_pct) > basis.tolerance_pct:
        return Advice(REPEAT, Reason("undecided_no_slope", found=found, obstacle=obstacle))
    return Advice(LEAVE, Reason("in_no_slope", found=found, obstacle=obstacle))


def _beyond_range(basis: Basis) -> bool:
    new = basis.new_slope
    if new is None:
        return False
    low, high = basis.slope_min, basis.slope_max
    return (low is not None and new < low) or (high is not None and new > high)


def new_slope(slope: float | None, ratio: float, *, convention: str | None) -> float | None:
    """Return the slope that would have read right: multiplier old/ratio, divisor old · ratio.

    ratio: mean of shown over expected torque. None without a slope that can be set.
    """
    if slope is None or slope <= 0 or ratio <= 0:
        return None
    if convention == "multiplier":
        return slope / ratio
    return slope * ratio if convention == "divisor" else None


def slope_to_enter(basis: Basis) -> float | None:
    """Return the recommended slope rounded to the meter's step and kept within its range."""
    new = basis.new_slope
    if new is None:
        return None
    if basis.slope_step:
        new = round(round(new / basis.slope_step) * basis.slope_step, 9)
    if basis.slope_min is not None:
        new = max(new, basis.slope_min)
    return new if basis.slope_max is None else min(new, basis.slope_max)


def rounding_residual_pct(basis: Basis) -> float | None:
    """Return what remains of the error found once the rounded slope is entered, %."""
    entered, exact = slope_to_enter(basis), basis.new_slope
    if entered is None or exact is None or min(entered, exact) <= 0:
        return None
    ratio = entered / exact if basis.convention == "multiplier" else exact / entered
    return 100 * (ratio - 1)


def slope_mismatch_pct(after: float | None, recommended: float | None) -> float | None:
    """Return how far the slope that was entered is from the recommendation, % of it."""
    if after is None or not recommended:
        return None
    return 100 * (after / recommended - 1)


def remedy_of(budget: Budget) -> Reason | None:
    """Return what would shrink the budget's largest term; None where nothing is known."""
    largest = budget.largest
    if largest is None or not math.isfinite(largest.u_pct):
        return None
    return REMEDIES.get(largest.source)
