"""Gain and zero offset from the windows of a ride, with an interval that covers.

meter = gain · reference + zero-offset torque · angular velocity, both readings with errors.

The line itself is doubted. A ratio may bend with the power (a brake calibrated at one power) or
move through the ride (a warm-up), by little as good devices do or by much. How likely that is the
ride says; the gain is the mean over both, its interval holds both, and it is the ratio at the mean
power, in the middle of the ride.
"""

from dataclasses import replace

import numpy as np

from models.metrology import Mask
from models.rides.alignment import Windows
from models.rides.window_fit import (
    FEWEST_WINDOWS,
    USUAL_BEND,
    USUAL_CHANGE,
    Priors,
    RideFit,
    fitted,
)

ZERO_OFFSET_PRIOR_NM = 0.25  # what a session without zero readings is given, too
RARE = 0.1  # share of pairs that bend, and that move, by more than good devices do
_LARGE_BEND, _LARGE_CHANGE = 0.006, 0.01  # sd of what those do: over 100 W, from start to end
_WIDE = 0.03  # a prior that says nothing, of either
_ONE_WAY = 0.9  # correlation of power and time from which they tell the same story
_NEGLIGIBLE = 0.01  # weight below which a fit is not worth making
_CLEAR = 3.5  # standard uncertainties at which a constant beside the zero offset is believed


def fit_windows(
    windows: Windows,
    *,
    prior_sd: float = ZERO_OFFSET_PRIOR_NM,
    u_turning: float = 0.0,
    constant: bool = False,
) -> RideFit:
    """Return the robust fit of one ride's windows.

    prior_sd   of the zero part: N·m, or W where omega is all 1 (no cadence)
    u_turning  how much of the zero part may go with the power unseen, as a fraction of it for
               each sd of the power: 0 where cadence is known
    constant   whether a constant number of watts may stand beside the zero-offset torque, if
               the ride shows it clearly (drag, the reference's own offset)
    """
    usual, p_moves = _movement(windows, Priors(prior_sd), u_turning)
    bent = fitted(windows, replace(usual, bend=_WIDE), u_turning)[0]
    p_bends = _evidence(bent.bend, bent.u_bend, USUAL_BEND, _LARGE_BEND)
    weights = {_LARGE_BEND: p_bends, USUAL_BEND: 1 - p_bends}
    fits = [
        (weight, _with_constant(windows, replace(usual, bend=sd), u_turning, constant=constant))
        for sd, weight in weights.items()
        if weight > (RARE if sd == _LARGE_BEND else _NEGLIGIBLE)  # the ride speaks for a bend
    ]
    return replace(_mixed(fits), p_bends=p_bends, p_moves=p_moves)


def _movement(windows: Windows, usual: Priors, u_turning: float) -> tuple[Priors, float]:
    """Return the priors with that of the change as the ride has it, and whether it is large.

    Where power and time went one way nothing can tell a warm-up from the rest: it may be there.
    """
    large = replace(usual, change=_LARGE_CHANGE)
    moved = fitted(windows, replace(usual, change=_WIDE), u_turning)[0]
    if went_one_way(windows, moved.kept):
        return large, 0.0
    p = _evidence(moved.change, moved.u_change, USUAL_CHANGE, _LARGE_CHANGE)
    return (large if p > 0.5 else usual), p


def _evidence(value: float, u: float, usual: float, large: float) -> float:
    """Return the probability that a value found with u is of the large kind.

    Bayes' rule for two normal priors about 0, of sd usual and large; Kass & Raftery (1995) J Am
    Stat Assoc 90:773.
    """
    narrow, wide = np.hypot(u, usual), np.hypot(u, large)
    odds = RARE / (1 - RARE) * narrow / wide
    odds *= np.exp(min(0.5 * value**2 * (1 / narrow**2 - 1 / wide**2), 50.0))
    return float(odds / (1 + odds))


def _with_constant(
    windows: Windows, priors: Priors, u_turning: float, *, constant: bool
) -> RideFit:
    """Return the fit, with a constant beside the zero-offset torque if the ride shows it."""
    fit = fitted(windows, priors, u_turning)[0]
    if not constant:
        return fit
    wider, u_constant = fitted(windows, replace(priors, constant=True), u_turning)
    clear = abs(wider.constant_w) > max(1.0, _CLEAR * u_constant)
    return wider if clear else fit


def _mixed(fits: list[tuple[float, RideFit]]) -> RideFit:
    """Return the likelier fit, gain, zero and bend being those of all by their weight."""
    total = sum(weight for weight, _ in fits)
    shares = [weight / total for weight, _ in fits]
    likeliest = max(fits, key=lambda pair: pair[0])[1]

    def of(name: str) -> tuple[float, float]:
        values = [getattr(fit, name) for _, fit in fits]
        us = [getattr(fit, f"u_{name}") for _, fit in fits]
        mean = sum(share * value for share, value in zip(shares, values, strict=True))
        spread = sum(
            share * (u**2 + (value - mean) ** 2)
            for share, value, u in zip(shares, values, us, strict=True)
        )
        return float(mean), float(np.sqrt(spread))

    (gain, u_gain), (zero, u_zero), (bend, u_bend) = map(of, ("gain", "zero_nm", "bend"))
    mixed = replace(likeliest, gain=gain, u_gain=u_gain, zero_nm=zero, u_zero_nm=u_zero)
    return replace(mixed, bend=bend, u_bend=u_bend)


def went_one_way(windows: Windows, kept: Mask) -> bool:
    """Return whether the power only rose, or only fell, through the ride."""
    x, t = windows.reference_w[kept], windows.at_s[kept]
    if len(x) < FEWEST_WINDOWS or np.ptp(x) <= 0 or np.ptp(t) <= 0:
        return False
    return bool(abs(np.corrcoef(x, t)[0, 1]) > _ONE_WAY)
