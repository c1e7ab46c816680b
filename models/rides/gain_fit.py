"""Gain and zero offset from the windows of a ride, with an interval that covers.

meter = gain · reference + zero-offset torque · angular velocity, both readings with errors.

The line itself is doubted. A ratio may bend with the power (a brake calibrated at one power) or
move through the ride (a warm-up), by little as good devices do or by much. Each of these is
fitted, and the ride says how likely it is. The gain, the ratio at the mean power in the middle of
the ride, is their mean, much bend or movement being rare beforehand. The interval holds 90 % of
them all, and gives even odds to what the ride cannot tell: a large bend that would not stand out
in a short ride, a large movement where power and time went one way.
"""

from dataclasses import dataclass, replace
from itertools import product

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
_EVEN = 0.5  # … as the interval has it where the ride cannot tell
_STANDS_OUT = 3.0  # standard uncertainties
_SHORT_S = 1800.0
_LARGE_BEND, _LARGE_CHANGE = 0.006, 0.01  # sd of what those do: over 100 W, from start to end
_WIDE = 0.03  # a prior that says nothing, of either
_ONE_WAY = 0.9  # correlation of power and time from which they tell the same story
_NEGLIGIBLE = 0.01  # weight below which a fit is not worth making
_CLEAR = 3.5  # standard uncertainties at which a constant beside the zero offset is believed


@dataclass(frozen=True)
class _Option:
    """One size of a nuisance term: its prior sd, and its weight in the estimate, the interval."""

    sd: float
    weight: float
    doubt: float


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
    plain = Priors(prior_sd)
    changes, p_moves = _changes(windows, plain, u_turning)
    likeliest = replace(plain, change=max(changes, key=lambda option: option.weight).sd)
    bends, p_bends = _bends(windows, likeliest, u_turning)
    fits = [
        (
            bend.weight * change.weight,
            bend.doubt * change.doubt,
            _with_constant(
                windows,
                replace(plain, bend=bend.sd, change=change.sd),
                u_turning,
                constant=constant,
            ),
        )
        for bend, change in product(bends, changes)
    ]
    return replace(_mixed(fits), p_bends=p_bends, p_moves=p_moves)


def _changes(windows: Windows, plain: Priors, u_turning: float) -> tuple[list[_Option], float]:
    """Return how much the ratio may move through the ride, and how likely it moves much.

    Where power and time went one way nothing can tell a warm-up from the rest: it may be there.
    """
    moved = fitted(windows, replace(plain, change=_WIDE), u_turning)[0]
    factor = _evidence(moved.change, moved.u_change, USUAL_CHANGE, _LARGE_CHANGE)
    p = _probability(factor, RARE)
    if went_one_way(windows, moved.kept):
        return _options(USUAL_CHANGE, _LARGE_CHANGE, p, _probability(factor, _EVEN)), 0.0
    return [_Option(_LARGE_CHANGE if p > 0.5 else USUAL_CHANGE, 1.0, 1.0)], p


def _bends(windows: Windows, likeliest: Priors, u_turning: float) -> tuple[list[_Option], float]:
    """Return how much the ratio may bend with the power, and how likely it bends much."""
    bent = fitted(windows, replace(likeliest, bend=_WIDE), u_turning)[0]
    factor = _evidence(bent.bend, bent.u_bend, USUAL_BEND, _LARGE_BEND)
    p = _probability(factor, RARE)
    short = float(windows.seconds[bent.kept].sum()) < _SHORT_S
    if short and bent.u_bend > _LARGE_BEND / _STANDS_OUT:
        return _options(USUAL_BEND, _LARGE_BEND, p, _probability(factor, _EVEN)), p
    speaks = p if p > RARE else 0.0  # else the ride does not speak for a bend
    return _options(USUAL_BEND, _LARGE_BEND, speaks, speaks), p


def _options(usual: float, large: float, p: float, doubt: float) -> list[_Option]:
    both = [_Option(usual, 1 - p, 1 - doubt), _Option(large, p, doubt)]
    return [option for option in both if option.doubt > _NEGLIGIBLE]


def _evidence(value: float, u: float, usual: float, large: float) -> float:
    """Return the Bayes factor of the large kind over the usual, a value being found with u.

    Two normal priors about 0, of sd usual and large; Kass & Raftery (1995) J Am Stat Assoc 90:773.
    """
    narrow, wide = np.hypot(u, usual), np.hypot(u, large)
    exponent = min(0.5 * value**2 * (1 / narrow**2 - 1 / wide**2), 50.0)
    return float(narrow / wide * np.exp(exponent))


def _probability(factor: float, prior: float) -> float:
    odds = factor * prior / (1 - prior)
    return odds / (1 + odds)


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


def _mixed(fits: list[tuple[float, float, RideFit]]) -> RideFit:
    """Return the likelier fit, gain, zero and bend being those of all by their weight.

    In   fits: weight in the estimate, weight in the gain's interval, fit
    """
    shares = np.array([weight for weight, _, _ in fits])
    shares = shares / shares.sum()
    likeliest = fits[int(np.argmax(shares))][2]

    def of(name: str) -> tuple[float, float]:
        values = np.array([getattr(fit, name) for _, _, fit in fits])
        us = np.array([getattr(fit, f"u_{name}") for _, _, fit in fits])
        mean = float(shares @ values)
        return mean, float(np.sqrt(shares @ (us**2 + (values - mean) ** 2)))

    (gain, _), (zero, u_zero), (bend, u_bend) = map(of, ("gain", "zero_nm", "bend"))
    return replace(
        likeliest,
        gain=gain,
        u_gain=_u_sceptical(gain, likeliest.dof, [(doubt, fit) for _, doubt, fit in fits]),
        zero_nm=zero,
        u_zero_nm=u_zero,
        bend=bend,
        u_bend=u_bend,
    )


def _u_sceptical(gain: float, dof: float, fits: list[tuple[float, RideFit]]) -> float:
    """Return the u whose 90 % interval about the gain, at dof, holds 90 % of the fits' mixture.

    In   fits: weight in the interval, fit
    """
    if len(fits) == 1:
        return fits[0][1].u_gain
    from scipy.optimize import brentq
    from scipy.special import stdtr, stdtrit

    weight = np.array([doubt for doubt, _ in fits])
    centre, u, dofs = (
        np.array([getattr(fit, name) for _, fit in fits]) for name in ("gain", "u_gain", "dof")
    )

    def missed(half: float) -> float:
        above, below = (gain + half - centre) / u, (gain - half - centre) / u
        return float(weight @ (stdtr(dofs, above) - stdtr(dofs, below)) / weight.sum() - 0.9)

    widest = float(np.max(np.abs(centre - gain) + 10 * u))
    return float(brentq(missed, 0.0, widest, xtol=1e-9) / stdtrit(dof, 0.95))


def went_one_way(windows: Windows, kept: Mask) -> bool:
    """Return whether the power only rose, or only fell, through the ride."""
    x, t = windows.reference_w[kept], windows.at_s[kept]
    if len(x) < FEWEST_WINDOWS or np.ptp(x) <= 0 or np.ptp(t) <= 0:
        return False
    return bool(abs(np.corrcoef(x, t)[0, 1]) > _ONE_WAY)
