"""One fit of a ride's windows at given priors: gain, zero offset and the nuisance terms.

What the alignment and the smoothing left over enters as two nuisance terms: the power's slope,
and how the smoothed trace answers to a longer kernel. A bend with the power and a change through
the ride are two more. Windows that disagree are set aside.
"""

from dataclasses import dataclass, replace

import numpy as np

from models.metrology import Array, Fit, Mask, fit_gain, robust_sd
from models.rides.alignment import Windows
from models.rides.ride_covariance import covariance_of

PRIOR_DOF = 4.0  # a Student prior: a zero offset that the ride shows clearly is believed
CONSTANT_SD_W = 5.0  # drag and the like: a number of watts whatever the cadence
FEWEST_WINDOWS = 8
USUAL_BEND = 0.0003  # sd of a good pair's change of the ratio over 100 W, as a fraction
USUAL_CHANGE = 0.001  # … from start to end
_CLEARLY_SHOWN = 0.15  # share of the prior below which a large zero offset is the ride's word
_LAG_LEFT_S = 0.5  # sd of what the alignment may have left
_KERNEL_LEFT = 0.3  # sd of what the matching may have left, in ln(length)
_SHARE, _U_SHARE = 0.5, 0.29  # of the noise that is the reference's: uniform on 0 … 1
_OUTLYING = 4.0  # robust sd beyond which a window disagrees
_UNSTEADY = 25.0  # times the typical noise variance: too rough to carry weight
_BEND, _CHANGE = 5, 6  # places among the coefficients


@dataclass(frozen=True)
class RideFit:
    """What a ride says about a pair.

    gain, u_gain                 ratio meter / reference with the constant parts taken out
    zero_nm, u_zero_nm           zero-offset torque (N·m), or watts where omega is all 1
    constant_w                   a number of watts beside it, 0 unless the ride shows it clearly
    bend, u_bend                 change of the ratio over 100 W, as a fraction
    change, u_change             change of the ratio from start to end, as a fraction
    bends                        whether the ride speaks for a bend beyond good devices'
    p_moves                      probability that the change is more than good devices'
    dof                          degrees of freedom of the interval
    prior_share                  0 … 1: how much of the zero part comes from the prior
    residual                     (k,) W, in each window
    sd_w                         (k,) modelled noise of a window
    kept, steady                 (k,) windows that count; windows not too rough
    """

    gain: float
    u_gain: float
    zero_nm: float
    u_zero_nm: float
    constant_w: float
    bend: float
    u_bend: float
    change: float
    u_change: float
    bends: bool
    p_moves: float
    dof: float
    prior_share: float
    residual: Array
    sd_w: Array
    kept: Mask
    steady: Mask

    def constant_part(self, omega: Array) -> Array:
        """Return the meter's watts that do not go with the power, at given angular velocities."""
        return np.asarray(self.zero_nm * omega + self.constant_w)


@dataclass(frozen=True)
class Priors:
    """Prior sds: of the zero part (N·m, or W), of the bend and of the change (fractions)."""

    zero: float
    bend: float = USUAL_BEND
    change: float = USUAL_CHANGE
    constant: bool = False


@dataclass(frozen=True)
class Model:
    """Nuisance columns (k, m) beside the gain, and the prior precision of each.

    In this order: omega, slope, change of the kernel, share of the noise, bend, change through
    the ride, and where asked for a constant. The share's column is what an unknown split of the
    noise between the two devices does to the gain: an attenuation of the part of the power that
    omega does not explain.
    """

    nuisance: Array
    penalty: Array


def fitted(windows: Windows, priors: Priors, u_turning: float) -> tuple[RideFit, float]:
    """Return the fit, and the standard uncertainty of its constant."""
    noise, kept, steady, model = _settled(windows, priors)
    fit = _solve(windows, noise, kept, model)
    covariance, dof = covariance_of(windows.reference_w, fit, kept, model.nuisance, model.penalty)
    zero = float(np.hypot(fit.coefficients[1], np.sqrt(covariance[1, 1])))
    spread = max(1.0, float(np.std(windows.reference_w[kept])))
    result = RideFit(
        gain=float(fit.coefficients[0]),
        u_gain=float(np.hypot(np.sqrt(covariance[0, 0]), u_turning * zero / spread)),
        zero_nm=float(fit.coefficients[1]),
        u_zero_nm=float(np.sqrt(covariance[1, 1])),
        constant_w=float(fit.coefficients[-1]) if priors.constant else 0.0,
        bend=float(fit.coefficients[_BEND]),
        u_bend=float(np.sqrt(covariance[_BEND, _BEND])),
        change=float(fit.coefficients[_CHANGE]),
        u_change=float(np.sqrt(covariance[_CHANGE, _CHANGE])),
        bends=False,
        p_moves=0.0,
        dof=dof,
        prior_share=_prior_share(windows, fit, model),
        residual=fit.residual,
        sd_w=np.sqrt(noise),
        kept=kept,
        steady=steady,
    )
    return result, float(np.sqrt(covariance[-1, -1]))


def _solve(windows: Windows, noise: Array, kept: Mask, model: Model) -> Fit:
    return fit_gain(
        windows.meter_w,
        windows.reference_w,
        model.nuisance,
        u_y=np.sqrt(noise * (1 - _SHARE)),
        u_x=np.sqrt(noise * _SHARE),
        row_weight=kept.astype(np.float64),
        prior_precision=model.penalty,
        tolerance=1e-9,
    )


def _model(windows: Windows, noise: Array, kept: Mask, priors: Priors) -> Model:
    weight = kept / noise
    x, omega = windows.reference_w, windows.omega
    beside = np.sum(weight * x * omega) / max(1e-12, np.sum(weight * omega * omega))
    unexplained = x - beside * omega
    signal = float(np.sum(weight * np.square(unexplained)))
    attenuation = min(1.0, float(kept.sum()) / max(signal, 1e-9))
    ridden, level = kept * windows.seconds, _level(windows)
    bend = level * (level - float(np.average(level, weights=ridden))) / 100
    change = level * _through_the_ride(windows, ridden * level)
    columns = [omega, windows.slope, windows.change_w, unexplained, bend, change]
    # from all of the noise in one device to all in the other the gain moves by A / (1 − A)
    sd_share = _U_SHARE * attenuation / max(1 - attenuation, 0.05)
    sd = [priors.zero, _LAG_LEFT_S, _KERNEL_LEFT, max(sd_share, 1e-6), priors.bend, priors.change]
    if priors.constant:
        columns.append(np.ones(len(windows)))
        sd.append(CONSTANT_SD_W)
    return Model(np.stack(columns, axis=1), np.square(1.0 / np.array(sd)))


def _level(windows: Windows) -> Array:
    """Return the power of each window as both devices have it.

    The noise of their mean does not go with that of their difference, which a square of one
    reading alone would turn into a bend.
    """
    x, y = windows.reference_w, windows.meter_w
    return np.asarray(0.5 * (x + y * float(np.sum(x) / max(np.sum(y), 1e-9))))


def _through_the_ride(windows: Windows, weight: Array) -> Array:
    """Return the time of each window, about its mean, as a share of the ride."""
    t = windows.at_s
    return np.asarray((t - np.average(t, weights=weight)) / max(float(np.ptp(t)), 1.0))


def _settled(windows: Windows, priors: Priors) -> tuple[Array, Mask, Mask, Model]:
    """Return noise variance, windows kept, steady ones and model, in turns until stable."""
    noise = np.full(len(windows), 9.0)
    kept = steady = np.ones(len(windows), dtype=bool)
    model = _model(windows, noise, kept, priors)
    believed = priors
    for _ in range(6):
        fit = _solve(windows, noise, kept, model)
        noise = _noise_model(windows, fit.residual, noise, kept)
        size = np.abs(fit.residual) / np.sqrt(noise)
        spread = max(robust_sd(size[kept], about=0.0), 0.5)
        steady = noise * windows.seconds < _UNSTEADY * np.median(noise * windows.seconds)
        now = steady & (size < _OUTLYING * spread)
        if now.sum() < min(FEWEST_WINDOWS, len(windows)):
            break
        kept = now
        if _prior_share(windows, fit, model) < _CLEARLY_SHOWN:
            zero = float(fit.coefficients[1])
            sd = np.sqrt((PRIOR_DOF * priors.zero**2 + zero**2) / (PRIOR_DOF + 1))
            believed = replace(priors, zero=float(sd))
        model = _model(windows, noise, kept, believed)
    return noise, kept, steady, model


def _noise_model(windows: Windows, residual: Array, noise: Array, kept: Mask) -> Array:
    """Return a window's residual variance: constant, power and unrest, by weighted least squares.

    Squared residuals are capped, so that mishaps do not teach the model.
    """
    typical = float(np.median(windows.seconds))
    share = typical / windows.seconds
    power = np.square(windows.reference_w / max(1.0, float(np.mean(windows.reference_w))))
    X = np.stack([np.ones(len(windows)), power, np.square(windows.unrest)], axis=1)
    X = X * share[:, None]
    scale = robust_sd(residual[kept] / np.sqrt(noise[kept]), about=0.0)
    cap = np.square(3.5 * max(scale, 0.1)) * noise
    squared = np.minimum(np.square(residual), cap)
    weight = 1.0 / noise
    coefficients = _nonnegative((X * weight[:, None])[kept], (squared * weight)[kept])
    floor = 0.02 * float(np.mean(squared[kept])) + 1e-4
    return np.maximum(X @ coefficients, floor)


def _nonnegative(X: Array, y: Array) -> Array:
    """Return the least squares solution with coefficients ≥ 0."""
    from scipy.optimize import nnls

    size = np.maximum(np.sqrt(np.sum(np.square(X), axis=0)), 1e-12)
    solution, _ = nnls(X / size, y)
    return np.asarray(solution / size, dtype=np.float64)


def _prior_share(windows: Windows, fit: Fit, model: Model) -> float:
    """Return the share of the zero part's information that the prior gave."""
    design = np.column_stack([windows.reference_w, model.nuisance])
    prior = np.diag([0.0, *model.penalty])
    information = fit.adjusted.T @ (fit.weight[:, None] * design) + prior
    return float(np.clip(np.linalg.inv(information)[1, 1] * model.penalty[0], 0, 1))
