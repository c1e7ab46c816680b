"""Gain and zero offset from the windows of a ride, with an interval that covers.

meter = gain · reference + zero-offset torque · angular velocity, both readings with errors.
What the alignment and the smoothing left over enters as two nuisance terms: the power's slope,
and how the smoothed trace answers to a longer kernel. Windows that disagree are set aside; the
interval rests on the residuals' long-run variance, so that slow wander counts.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors_in_variables import Fit, fit_gain
from models.windows import Windows

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

ZERO_OFFSET_PRIOR_NM = 0.25  # what a session without zero readings is given, too
PRIOR_DOF = 4.0  # a Student prior: a zero offset that the ride shows clearly is believed
_LAG_LEFT_S = 0.5  # sd of what the alignment may have left
_KERNEL_LEFT = 0.3  # sd of what the matching may have left, in ln(length)
_SHARE, _U_SHARE = 0.5, 0.29  # of the noise that is the reference's: uniform on 0 … 1
_OUTLYING = 4.0  # robust sd beyond which a window disagrees
_UNSTEADY = 25.0  # times the typical noise variance: too rough to carry weight
FEWEST_WINDOWS = 8


@dataclass(frozen=True)
class RideFit:
    """What a ride says about a pair.

    gain, u_gain                 ratio meter / reference with the zero part taken out
    zero_nm, u_zero_nm           zero-offset torque (N·m), or watts where omega is all 1
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
    dof: float
    prior_share: float
    residual: Array
    sd_w: Array
    kept: Mask
    steady: Mask
    covariance: Array


def fit_windows(windows: Windows, *, prior_sd: float = ZERO_OFFSET_PRIOR_NM) -> RideFit:
    """Robust fit of one ride's windows.

    prior_sd  of the zero part: N·m, or W where omega is all 1 (no cadence)
    """
    noise, kept, steady, penalty = _settled(windows, prior_sd)
    fit = _fit(windows, noise, kept, penalty, _SHARE)
    low = _fit(windows, noise, kept, penalty, _SHARE - _U_SHARE)
    high = _fit(windows, noise, kept, penalty, _SHARE + _U_SHARE)
    by_share = 0.5 * (high.coefficients - low.coefficients)
    covariance, dof = _covariance(windows, fit, kept, penalty)
    covariance = covariance + np.outer(by_share, by_share)
    prior_share = _prior_share(windows, fit, penalty)
    return RideFit(
        gain=float(fit.coefficients[0]),
        u_gain=float(np.sqrt(covariance[0, 0])),
        zero_nm=float(fit.coefficients[1]),
        u_zero_nm=float(np.sqrt(covariance[1, 1])),
        dof=dof,
        prior_share=prior_share,
        residual=fit.residual,
        sd_w=np.sqrt(noise),
        kept=kept,
        steady=steady,
        covariance=covariance,
    )


def _nuisance(windows: Windows) -> Array:
    return np.stack([windows.omega, windows.slope, windows.change_w], axis=1)


def _fit(windows: Windows, noise: Array, kept: Mask, penalty: Array, share: float) -> Fit:
    return fit_gain(
        windows.meter_w,
        windows.reference_w,
        _nuisance(windows),
        u_y=np.sqrt(noise * (1 - share)),
        u_x=np.sqrt(noise * share),
        row_weight=kept.astype(np.float64),
        prior_precision=penalty,
        tolerance=1e-9,
    )


def _settled(windows: Windows, prior_sd: float) -> tuple[Array, Mask, Mask, Array]:
    """Noise variance, windows kept, steady ones and prior precisions, in turns until stable."""
    left = np.array([_LAG_LEFT_S, _KERNEL_LEFT])
    penalty = np.array([prior_sd**-2.0, *left**-2.0])
    noise = np.full(len(windows), 9.0)
    kept = steady = np.ones(len(windows), dtype=bool)
    for _ in range(6):
        fit = _fit(windows, noise, kept, penalty, _SHARE)
        noise = _noise_model(windows, fit.residual, noise, kept)
        size = np.abs(fit.residual) / np.sqrt(noise)
        spread = max(1.4826 * float(np.median(size[kept])), 0.5)
        steady = noise * windows.seconds < _UNSTEADY * np.median(noise * windows.seconds)
        now = steady & (size < _OUTLYING * spread)
        if now.sum() < min(FEWEST_WINDOWS, len(windows)):
            break
        kept = now
        zero = float(fit.coefficients[1])
        penalty[0] = (PRIOR_DOF + 1) / (PRIOR_DOF * prior_sd**2 + zero**2)
    return noise, kept, steady, penalty


def _noise_model(windows: Windows, residual: Array, noise: Array, kept: Mask) -> Array:
    """Variance of a window's residual: constant, power and unrest, by weighted least squares.

    Squared residuals are capped, so that mishaps do not teach the model.
    """
    typical = float(np.median(windows.seconds))
    share = typical / windows.seconds
    power = np.square(windows.reference_w / max(1.0, float(np.mean(windows.reference_w))))
    X = np.stack([np.ones(len(windows)), power, np.square(windows.unrest)], axis=1)
    X = X * share[:, None]
    scale = 1.4826 * float(np.median(np.abs(residual[kept]) / np.sqrt(noise[kept])))
    cap = np.square(3.5 * max(scale, 0.1)) * noise
    squared = np.minimum(np.square(residual), cap)
    weight = 1.0 / noise
    coefficients = _nonnegative((X * weight[:, None])[kept], (squared * weight)[kept])
    floor = 0.02 * float(np.mean(squared[kept])) + 1e-4
    return np.maximum(X @ coefficients, floor)


def _nonnegative(X: Array, y: Array) -> Array:
    """Least squares with coefficients ≥ 0."""
    from scipy.optimize import nnls

    size = np.maximum(np.sqrt(np.sum(np.square(X), axis=0)), 1e-12)
    solution, _ = nnls(X / size, y)
    return np.asarray(solution / size, dtype=np.float64)


def _covariance(windows: Windows, fit: Fit, kept: Mask, penalty: Array) -> tuple[Array, float]:
    """Sandwich covariance with the scores' long-run variance, and its degrees of freedom.

    Equally weighted cosines: Lazarus, Lewis, Stock & Watson (2018) J Bus Econ Stat 36:541.
    The prior's part counts as the variance that it stands for.
    """
    design = np.column_stack([windows.reference_w, _nuisance(windows)])
    prior = np.diag([0.0, *penalty])
    bread = np.linalg.inv(fit.adjusted.T @ (fit.weight[:, None] * design) + prior)
    scores = (fit.adjusted * (fit.weight * fit.residual)[:, None])[kept]
    meat, dof = long_run_variance(scores)
    spread = len(scores) / max(1.0, len(scores) - design.shape[1])
    data = bread @ meat @ bread.T * spread
    # the few cosines can come out small by luck: not below what independent windows would give
    white = bread @ (scores.T @ scores) @ bread.T * spread
    data *= max(1.0, white[0, 0] / max(data[0, 0], 1e-300))
    total = data + bread @ prior @ bread.T
    # Welch–Satterthwaite: the prior's part is known
    effective = dof * (total[0, 0] / max(data[0, 0], 1e-300)) ** 2
    return total, float(min(effective, 1e6))


def long_run_variance(scores: Array) -> tuple[Array, float]:
    """Variance (k, k) of the sum of a series of scores (n, k), autocorrelation included; dof."""
    n = len(scores)
    count = int(np.clip(round(0.41 * n ** (2 / 3)), 3, max(3, n - 4)))
    j = np.arange(1, count + 1)[:, None]
    cosines = np.sqrt(2.0) * np.cos(np.pi * j * (np.arange(n)[None] + 0.5) / n)
    waves = cosines @ scores
    return waves.T @ waves / count, float(count)


def _prior_share(windows: Windows, fit: Fit, penalty: Array) -> float:
    """Share of the zero part's information that the prior gave."""
    design = np.column_stack([windows.reference_w, _nuisance(windows)])
    information = fit.adjusted.T @ (fit.weight[:, None] * design) + np.diag([0.0, *penalty])
    return float(np.clip(np.linalg.inv(information)[1, 1] * penalty[0], 0, 1))
