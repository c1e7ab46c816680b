"""Gain and zero offset from the windows of a ride, with an interval that covers.

meter = gain · reference + zero-offset torque · angular velocity, both readings with errors.

The line itself is doubted. A ratio may bend with the power (a brake calibrated at one power) or
move through the ride (a warm-up), by little as good devices do or by much. Each of these is
fitted, and the ride says how likely it is. The gain, the ratio at the mean power in the middle of
the ride, is their mean, much bend or movement being rare beforehand. The interval holds 90 % of
them all, and leans on nothing that the ride cannot tell: where it is too short for a large bend to
stand out, or hints at one without being clear, the interval holds that of the fit with one; a large
movement has even odds where power and time went one way.
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
_CLEARLY = 0.25  # … once the ride speaks for it three to one: "positive", Kass & Raftery (1995)
_EVEN = 0.5  # … as the interval has it where the ride cannot tell
_STANDS_OUT = 3.0  # standard uncertainties
_SHORT_S = 1800.0
_LARGE_BEND, _LARGE_CHANGE = 0.006, 0.01  # sd of what those do: over 100 W, from start to end
_WIDE = 0.03  # a prior that says nothing, of either
_ONE_WAY = 0.9  # correlation of power and time from which they tell the same story
_NEGLIGIBLE = 0.01  # weight below which a fit is not worth making
_QUANTILES = 32  # of a χ²
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
    bends, speaks, untold = _bends(windows, likeliest, u_turning)
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
    mixed = _mixed(fits)
    if untold:
        of_large = [bend.sd == _LARGE_BEND for bend, _ in product(bends, changes)]
        bent = [fit for (_, _, fit), large in zip(fits, of_large, strict=True) if large]
        mixed = replace(mixed, u_gain=max(mixed.u_gain, *(_u_holding(mixed, fit) for fit in bent)))
    return replace(mixed, bends=speaks, p_moves=p_moves)


def _changes(windows: Windows, plain: Priors, u_turning: float) -> tuple[list[_Option], float]:
    """Return how much the ratio may move through the ride, and how likely it moves much.

    Where power and time went one way nothing can tell a warm-up from the rest: it may be there.
    """
    moved = fitted(windows, replace(plain, change=_WIDE), u_turning)[0]
    factor = _evidence(
        moved.change, moved.u_change, moved.dof, usual=USUAL_CHANGE, large=_LARGE_CHANGE
    )
    p = _probability(factor, RARE)
    if went_one_way(windows, moved.kept):
        return _options(USUAL_CHANGE, _LARGE_CHANGE, p, _probability(factor, _EVEN)), 0.0
    return [_Option(_LARGE_CHANGE if p > 0.5 else USUAL_CHANGE, 1.0, 1.0)], p


def _bends(
    windows: Windows, likeliest: Priors, u_turning: float
) -> tuple[list[_Option], bool, bool]:
    """Return how much the ratio may bend, whether the ride speaks for it, and if it cannot tell.

    Where it cannot, the interval allows for a large bend, so that only a clear one is worth a word.
    """
    bent = fitted(windows, replace(likeliest, bend=_WIDE), u_turning)[0]
    factor = _evidence(bent.bend, bent.u_bend, bent.dof, usual=USUAL_BEND, large=_LARGE_BEND)
    p = _probability(factor, RARE)
    short = float(windows.seconds[bent.kept].sum()) < _SHORT_S
    hidden = short and bent.u_bend > _LARGE_BEND / _STANDS_OUT and p > _NEGLIGIBLE
    p = p if hidden or p > RARE else 0.0
    options = _options(USUAL_BEND, _LARGE_BEND, p, p)
    return options, p >= _CLEARLY, hidden or 0.0 < p < _CLEARLY


def _options(usual: float, large: float, p: float, doubt: float) -> list[_Option]:
    both = [_Option(usual, 1 - p, 1 - doubt), _Option(large, p, doubt)]
    return [option for option in both if option.doubt > _NEGLIGIBLE]


def _evidence(value: float, u: float, dof: float, *, usual: float, large: float) -> float:
    """Return the Bayes factor of the large kind over the usual, a value being found with u of dof.

    Two normal priors about 0, of sd usual and large; Kass & Raftery (1995) J Am Stat Assoc 90:773.
    The value's own variance is u² · dof over a χ², as Student's t has it, here by its quantiles.
    """
    from scipy.special import gammaincinv

    shares = (np.arange(_QUANTILES) + 0.5) / _QUANTILES
    own = u**2 * dof / (2 * gammaincinv(dof / 2, shares))
    narrow, wide = own + usual**2, own + large**2
    log_ratio = [0.5 * (np.log(v) + value**2 / v) for v in (narrow, wide)]
    least = min(float(x.min()) for x in log_ratio)
    under_usual, under_large = (float(np.mean(np.exp(least - x))) for x in log_ratio)
    return min(under_large / max(under_usual, 1e-300), 1e20)


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


def _u_holding(mixed: RideFit, free: RideFit) -> float:
    """Return the u whose 90 % interval about the gain, at its dof, holds that of another fit."""
    from scipy.special import stdtrit

    half = abs(free.gain - mixed.gain) + float(stdtrit(free.dof, 0.95)) * free.u_gain
    return half / float(stdtrit(mixed.dof, 0.95))


def went_one_way(windows: Windows, kept: Mask) -> bool:
    """Return whether the power only rose, or only fell, through the ride."""
    x, t = windows.reference_w[kept], windows.at_s[kept]
    if len(x) < FEWEST_WINDOWS or np.ptp(x) <= 0 or np.ptp(t) <= 0:
        return False
    return bool(abs(np.corrcoef(x, t)[0, 1]) > _ONE_WAY)
