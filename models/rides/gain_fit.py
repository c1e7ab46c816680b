"""Gain and zero offset from the windows of a ride, with an interval that covers.

meter = gain · reference + zero-offset torque · angular velocity, both readings with errors.
What the alignment and the smoothing left over enters as two nuisance terms: the power's slope,
and how the smoothed trace answers to a longer kernel. Windows that disagree are set aside; the
interval rests on the residuals' long-run variance, so that slow wander counts.
"""

from dataclasses import dataclass

import numpy as np

from models.metrology import Array, Fit, Mask, fit_gain, robust_sd
from models.rides.alignment import Windows

ZERO_OFFSET_PRIOR_NM = 0.25  # what a session without zero readings is given, too
PRIOR_DOF = 4.0  # a Student prior: a zero offset that the ride shows clearly is believed
CONSTANT_SD_W = 5.0  # drag and the like: a number of watts whatever the cadence
_CLEARLY_SHOWN = 0.15  # share of the prior below which a large zero offset is the ride's word
_CLEAR = 3.5  # standard uncertainties at which such a number is believed
_LAG_LEFT_S = 0.5  # sd of what the alignment may have left
_KERNEL_LEFT = 0.3  # sd of what the matching may have left, in ln(length)
_SHARE, _U_SHARE = 0.5, 0.29  # of the noise that is the reference's: uniform on 0 … 1
_OUTLYING = 4.0  # robust sd beyond which a window disagrees
_LUCKY = 1e-6  # share of the independent windows' variance below which it is rounding, not luck
_MOST_TAKEN = 9.0  # times the variance
_UNSTEADY = 25.0  # times the typical noise variance: too rough to carry weight
FEWEST_WINDOWS = 8


@dataclass(frozen=True)
class RideFit:
    """What a ride says about a pair.

    gain, u_gain                 ratio meter / reference with the constant parts taken out
    zero_nm, u_zero_nm           zero-offset torque (N·m), or watts where omega is all 1
    constant_w                   a number of watts beside it, 0 unless the ride shows it clearly
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
class _Model:
    """Nuisance columns (k, m) beside the gain, and the prior precision of each.

    In this order: omega, slope, change of the kernel, share of the noise, and where asked for a
    constant. The share's column is what an unknown split of the noise between the two devices
    does to the gain: an attenuation of the part of the power that omega does not explain.
    """

    nuisance: Array
    penalty: Array


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
    fit = _fitted(windows, prior_sd, u_turning, constant=False)[0]
    if not constant:
        return fit
    wider, u_constant = _fitted(windows, prior_sd, u_turning, constant=True)
    clear = abs(wider.constant_w) > max(1.0, _CLEAR * u_constant)
    return wider if clear else fit


def _fitted(
    windows: Windows, prior_sd: float, u_turning: float, *, constant: bool
) -> tuple[RideFit, float]:
    """Return the fit, and the standard uncertainty of its constant."""
    noise, kept, steady, model = _settled(windows, prior_sd, constant=constant)
    fit = _solve(windows, noise, kept, model)
    covariance, dof = _covariance(windows, fit, kept, model)
    zero = float(np.hypot(fit.coefficients[1], np.sqrt(covariance[1, 1])))
    spread = max(1.0, float(np.std(windows.reference_w[kept])))
    result = RideFit(
        gain=float(fit.coefficients[0]),
        u_gain=float(np.hypot(np.sqrt(covariance[0, 0]), u_turning * zero / spread)),
        zero_nm=float(fit.coefficients[1]),
        u_zero_nm=float(np.sqrt(covariance[1, 1])),
        constant_w=float(fit.coefficients[-1]) if constant else 0.0,
        dof=dof,
        prior_share=_prior_share(windows, fit, model),
        residual=fit.residual,
        sd_w=np.sqrt(noise),
        kept=kept,
        steady=steady,
    )
    return result, float(np.sqrt(covariance[-1, -1]))


def _solve(windows: Windows, noise: Array, kept: Mask, model: _Model) -> Fit:
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


def _model(windows: Windows, noise: Array, kept: Mask, sd_zero: float, *, constant: bool) -> _Model:
    weight = kept / noise
    x, omega = windows.reference_w, windows.omega
    beside = np.sum(weight * x * omega) / max(1e-12, np.sum(weight * omega * omega))
    unexplained = x - beside * omega
    signal = float(np.sum(weight * np.square(unexplained)))
    attenuation = min(1.0, float(kept.sum()) / max(signal, 1e-9))
    columns = [omega, windows.slope, windows.change_w, unexplained]
    # from all of the noise in one device to all in the other the gain moves by A / (1 − A)
    sd_share = _U_SHARE * attenuation / max(1 - attenuation, 0.05)
    sd = [sd_zero, _LAG_LEFT_S, _KERNEL_LEFT, max(sd_share, 1e-6)]
    if constant:
        columns.append(np.ones(len(windows)))
        sd.append(CONSTANT_SD_W)
    return _Model(np.stack(columns, axis=1), np.square(1.0 / np.array(sd)))


def _settled(
    windows: Windows, prior_sd: float, *, constant: bool
) -> tuple[Array, Mask, Mask, _Model]:
    """Return noise variance, windows kept, steady ones and model, in turns until stable."""
    sd_zero = prior_sd
    noise = np.full(len(windows), 9.0)
    kept = steady = np.ones(len(windows), dtype=bool)
    model = _model(windows, noise, kept, sd_zero, constant=constant)
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
            sd_zero = np.sqrt((PRIOR_DOF * prior_sd**2 + zero**2) / (PRIOR_DOF + 1))
        model = _model(windows, noise, kept, sd_zero, constant=constant)
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


def _covariance(windows: Windows, fit: Fit, kept: Mask, model: _Model) -> tuple[Array, float]:
    """Return the sandwich covariance with the scores' long-run variance, and its dof.

    The prior's part counts as the variance that it stands for.
    """
    design = np.column_stack([windows.reference_w, model.nuisance])
    prior = np.diag([0.0, *model.penalty])
    bread = np.linalg.inv(fit.adjusted.T @ (fit.weight[:, None] * design) + prior)
    # what a watt in a window moves the coefficients by; squares of it cannot come out below zero
    influence = ((fit.adjusted * fit.weight[:, None]) @ bread.T)[kept]
    moves = influence * fit.residual[kept, None]
    taken, dof = _taken_by_the_fit(design[kept], influence, 1.0 / fit.weight[kept])
    data = long_run_variance(moves) * np.outer(taken, taken)
    # the few cosines can come out small by luck: not below what independent windows would give
    white = moves.T @ moves * len(moves) / max(1.0, len(moves) - 4.0)
    if data[0, 0] < white[0, 0]:
        by_luck = data[0, 0] > _LUCKY * white[0, 0]
        data = data * (white[0, 0] / data[0, 0]) if by_luck else white
    total = data + bread @ prior @ bread.T
    # Welch–Satterthwaite: the prior's part is known
    effective = dof * (total[0, 0] / max(data[0, 0], 1e-6 * total[0, 0])) ** 2
    return total, float(min(effective, 1e6))


def long_run_variance(scores: Array) -> Array:
    """Return the variance (k, k) of a sum of scores (n, k), autocorrelation included.

    Equally weighted cosines: Lazarus, Lewis, Stock & Watson (2018) J Bus Econ Stat 36:541.
    """
    waves = _cosines(len(scores)) @ scores
    return np.asarray(waves.T @ waves / len(waves))


def _cosines(n: int) -> Array:
    """Return the slowest (count, n) waves over n windows."""
    count = int(np.clip(round(0.41 * n ** (2 / 3)), 4, max(4, n - 4)))
    j = np.arange(1, count + 1)[:, None]
    return np.asarray(np.sqrt(2.0) * np.cos(np.pi * j * (np.arange(n)[None] + 0.5) / n))


def _taken_by_the_fit(design: Array, influence: Array, variance: Array) -> tuple[Array, float]:
    """Return what the fit took out of the waves, as factors (k,) on the sd, and left of dof.

    A ride of a few long steps moves the coefficients in the same slow waves in which its scatter
    is looked for. For independent errors of the modelled variance (n,) both are exact: how large
    the waves of the residuals are beside those of the errors, and Satterthwaite's dof for the gain.
    """
    # einsum throughout: waking threads for so little costs a busy machine more than the work
    cosines = _cosines(len(design))
    factors, dof = np.ones(design.shape[1]), float(len(cosines))
    for k, moved in enumerate(influence.T):
        waves = cosines * moved
        taken = np.einsum("jn,nk->jk", waves, design)
        left = (waves - np.einsum("jk,nk->jn", taken, influence)) * np.sqrt(variance)
        seen, true = float(np.sum(np.square(left))), float(np.sum(moved**2 * variance))
        factors[k] = np.sqrt(np.clip(true * len(left) / max(seen, 1e-300), 1.0, _MOST_TAKEN))
        if k == 0 and seen > 0:
            spread = np.einsum("in,jn->ij", left, left)
            dof = float(seen**2 / np.sum(np.square(spread)))
    return factors, max(2.0, dof)


def _prior_share(windows: Windows, fit: Fit, model: _Model) -> float:
    """Return the share of the zero part's information that the prior gave."""
    design = np.column_stack([windows.reference_w, model.nuisance])
    prior = np.diag([0.0, *model.penalty])
    information = fit.adjusted.T @ (fit.weight[:, None] * design) + prior
    return float(np.clip(np.linalg.inv(information)[1, 1] * model.penalty[0], 0, 1))
