"""What to do after a bench session, beside the arithmetic.

A slope nudged within the noise is worse than one left alone: it writes the session's own error
into the meter, and the meter's past no longer compares. So a reset needs an error larger than
its uncertainty, no open suspicion, and a slope step fine enough to do better.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from models.bench.suspicions import Suspicion
from models.metrology import OUT, Budget

LEAVE, REPEAT, RESET = "leave", "repeat", "reset"
FIX_SETTING, SEND_AWAY = "fix_setting", "send_away"

DAMAGED_PCT = 8.0
"""An error beyond this, that nothing explains, is hung again before the slope is touched."""
WORTH_A_RESET = 0.9
"""Part of the error that may remain after rounding to the slope's step, at most."""
BENT_FACTOR = 1.0
"""Linearity beyond this many tolerances is nothing that a slope can mend."""

SHRINK = {
    "mass": "Masses with a certificate or a tighter class would shrink the uncertainty most.",
    "hanger_mass": "Weighing the hanger would shrink the uncertainty most.",
    "scale_gravity": "A scale adjusted on the spot, or masses with a certificate, would shrink "
    "the uncertainty most.",
    "air_buoyancy": "Nothing at the bench matters more than the air: there is nothing to gain.",
    "crank_length": "Measuring the crank (axle to pedal axle) and stating its limits would "
    "shrink the uncertainty most.",
    "gravity": "Stating the place's gravity, or its latitude and altitude, would shrink the "
    "uncertainty most.",
    "crank_angle": "A level on the crank instead of the eye would shrink the uncertainty most.",
    "lean": "A bike clamped upright would shrink the uncertainty most.",
    "resolution": "Heavier masses, or a display with a finer step, would shrink the uncertainty "
    "most.",
    "zero": "A zero read before and after the masses would shrink the uncertainty most.",
    "zero_drift": "Waiting until the zero stands still would shrink the uncertainty most.",
    "repeatability": "Taking the masses off and hanging them again, two or three times, would "
    "shrink the uncertainty most.",
    "reading_noise": "Masses at rest, or a mean over whole swings, would shrink the uncertainty "
    "most.",
    "hysteresis": "Loading from below only, as in use, or finding the friction would shrink the "
    "uncertainty most.",
    "chain_loss": "Loading up and down, or a lever on the cassette, would shrink the uncertainty "
    "most.",
    "balance": "The sides differ: setting each side right would shrink the uncertainty most.",
}


class Finding(NamedTuple):
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
    """code: leave, repeat, reset, fix_setting, send_away; text: why."""

    code: str
    text: str


def advise(finding: Finding, found: Sequence[Suspicion], *, hold: str | None = None) -> Advice:
    """The advice for one finding; hold: what must be mended before any reset."""
    if any(s.fix == "setting" for s in found):
        return Advice(FIX_SETTING, "A setting explains the error: mend it, leave the slope alone.")
    if found:
        kinds = ", ".join(dict.fromkeys(s.kind.replace("_", " ") for s in found))
        return Advice(REPEAT, f"Not to be trusted yet ({kinds}): look, then repeat.")
    bent = finding.linearity_pct
    if bent is not None and bent > BENT_FACTOR * finding.tolerance_pct:
        text = f"The readings bend by {bent:.2f} % over the loads: no slope mends that."
        return Advice(SEND_AWAY, text)
    advice = _by_size(finding)
    if hold is not None and advice.code == RESET:
        return Advice(REPEAT, hold[:1].upper() + hold[1:] + ".")
    return advice


def _by_size(finding: Finding) -> Advice:
    size, expanded = abs(finding.error_pct), finding.budget.expanded_pct
    said = f"{finding.error_pct:+.2f} % ± {expanded:.2f} %"
    if size > DAMAGED_PCT:
        return Advice(REPEAT, f"{said} is too much for drift: hang again before anything else.")
    if size <= expanded:
        if size > finding.tolerance_pct:
            return Advice(REPEAT, f"{said}: beyond the limit, but not beyond its uncertainty.")
        if expanded > finding.tolerance_pct:
            text = f"{said}: too uncertain to decide. {shrink_it(finding.budget)}"
            return Advice(REPEAT, text)
        return Advice(LEAVE, f"{said}: within its uncertainty; a new slope would only add noise.")
    if finding.convention == "fixed" or _beyond_range(finding):
        return _no_slope(finding, said)
    left = rounding_residual_pct(finding)
    if left is not None and abs(left) > WORTH_A_RESET * size:
        return Advice(LEAVE, f"{said}: less than the slope's step can mend.")
    rest = "" if left is None else f" {left:+.2f} % remain after rounding to the slope's step."
    return Advice(RESET, f"{said}: larger than its uncertainty.{rest}")


def _no_slope(finding: Finding, said: str) -> Advice:
    why = "its slope is fixed" if finding.convention == "fixed" else "its slope range ends before"
    if finding.verdict == OUT:
        return Advice(SEND_AWAY, f"{said} is out of tolerance and {why}.")
    if abs(finding.error_pct) > finding.tolerance_pct:
        return Advice(REPEAT, f"{said}: not decided, and {why}.")
    return Advice(LEAVE, f"{said}: within tolerance, and {why}.")


def _beyond_range(finding: Finding) -> bool:
    new = finding.new_slope
    if new is None:
        return False
    low, high = finding.slope_min, finding.slope_max
    return (low is not None and new < low) or (high is not None and new > high)


def new_slope(slope: float | None, ratio: float, *, convention: str | None) -> float | None:
    """Slope that would have read right: multiplier old/ratio, divisor old · ratio; else None.

    ratio: mean of shown over expected torque.
    """
    if slope is None or slope <= 0 or ratio <= 0:
        return None
    if convention == "multiplier":
        return slope / ratio
    return slope * ratio if convention == "divisor" else None


def slope_to_enter(finding: Finding) -> float | None:
    """The recommended slope rounded to the meter's step and kept within its range."""
    new = finding.new_slope
    if new is None:
        return None
    if finding.slope_step:
        new = round(round(new / finding.slope_step) * finding.slope_step, 9)
    if finding.slope_min is not None:
        new = max(new, finding.slope_min)
    return new if finding.slope_max is None else min(new, finding.slope_max)


def rounding_residual_pct(finding: Finding) -> float | None:
    """Gain error that remains of the found one once the rounded slope is entered, %."""
    entered, exact = slope_to_enter(finding), finding.new_slope
    if entered is None or exact is None or min(entered, exact) <= 0:
        return None
    ratio = entered / exact if finding.convention == "multiplier" else exact / entered
    return 100 * (ratio - 1)


def slope_mismatch_pct(after: float | None, recommended: float | None) -> float | None:
    """How far the slope that was entered is from the recommendation, % of it."""
    if after is None or not recommended:
        return None
    return 100 * (after / recommended - 1)


def shrink_it(budget: Budget) -> str:
    """One sentence: what would shrink the largest term."""
    largest = budget.largest
    if largest is None or not math.isfinite(largest.u_pct):
        return ""
    return SHRINK.get(largest.source, "")
