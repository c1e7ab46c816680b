"""Fit a gain with nuisance terms, or a straight line, when both sides carry errors.

One estimator serves a pair of recordings, a table of steady steps and the published examples:
y = gain · x + Z · b, with known standard uncertainties of y and x in every row, and where
wanted a prior on b. It maximises the likelihood exactly (York et al. 2004, Am J Phys 72:367,
without correlation between the errors of x and y) and works on stacks of small problems.
"""

from dataclasses import dataclass

import numpy as np

from models.metrology.arrays import Array


@dataclass(frozen=True)
class Fit:
    """Result of `fit_gain` for a stack of problems of n rows and k nuisance columns.

    coefficients  (…, 1 + k): the gain, then b
    covariance    (…, 1 + k, 1 + k): from the stated uncertainties and the prior alone
    residual      (…, n): y − gain · x − Z · b
    weight        (…, n): 1 / (u_y² + gain² u_x²), times the row's own weight
    adjusted      (…, n, 1 + k): [x̂, Z], x̂ the likeliest true x given both readings
    chi2          (…): sum of weight · residual²
    """

    coefficients: Array
    covariance: Array
    residual: Array
    weight: Array
    adjusted: Array
    chi2: Array

    @property
    def gain(self) -> Array:
        """Return the gains, (…)."""
        return np.asarray(self.coefficients[..., 0])

    @property
    def u_gain(self) -> Array:
        """Return the gains' standard uncertainties, (…)."""
        return np.asarray(np.sqrt(self.covariance[..., 0, 0]))


def fit_gain(
    y: Array,
    x: Array,
    nuisance: Array,
    *,
    u_y: Array | float,
    u_x: Array | float,
    row_weight: Array | None = None,
    prior_precision: Array | None = None,
    tolerance: float = 1e-12,
    max_rounds: int = 60,
) -> Fit:
    """Fit the gain of y against x, nuisance terms beside it, errors in both.

    y, x             (…, n)
    nuisance         (…, n, k): 1 for an intercept, angular velocity for a zero offset
    u_y, u_x         standard uncertainties, broadcast to (…, n); u_x = 0: ordinary weighted fit
    row_weight       (…, n): 1 a good row, 0 leaves it out, between for a doubtful one
    prior_precision  (…, k): 1/sd² of a prior N(0, sd²) on each nuisance coefficient
    Source: York, Evensen, Martínez & De Basabe Delgado (2004) Am J Phys 72:367–375.
    """
    var_y = np.broadcast_to(np.square(u_y), y.shape)
    var_x = np.broadcast_to(np.square(u_x), x.shape)
    rows = np.ones_like(y) if row_weight is None else row_weight
    penalty = _penalty(nuisance, prior_precision)
    observed = np.concatenate([x[..., None], nuisance], axis=-1)
    gain = np.ones(y.shape[:-1])
    adjusted = observed
    for _ in range(max_rounds):
        weight = rows / (var_y + np.square(gain)[..., None] * var_x)
        coefficients = _solve(adjusted, observed, y, weight, penalty)
        residual = y - np.einsum("...nk,...k->...n", observed, coefficients)
        change = np.max(np.abs(coefficients[..., 0] - gain), initial=0.0)
        gain = coefficients[..., 0]
        # W: 1/(u_y² + g² u_x²); x̂ = x + W g u_x² (y − g x − Z b)
        W = 1.0 / (var_y + np.square(gain)[..., None] * var_x)
        adjusted = observed.copy()
        adjusted[..., 0] = x + W * gain[..., None] * var_x * residual
        if change < tolerance and not np.all(var_x == 0):
            break
        if np.all(var_x == 0) and change == 0:
            break
    weight = rows * W
    information = np.einsum("...nj,...n,...nk->...jk", adjusted, weight, adjusted) + penalty
    chi2 = np.sum(weight * np.square(residual), axis=-1)
    return Fit(coefficients, np.linalg.inv(information), residual, weight, adjusted, chi2)


def _penalty(nuisance: Array, prior_precision: Array | None) -> Array:
    k = nuisance.shape[-1]
    penalty = np.zeros((*nuisance.shape[:-2], 1 + k, 1 + k))
    if prior_precision is not None:
        index = np.arange(1, 1 + k)
        penalty[..., index, index] = prior_precision
    return penalty


def _solve(adjusted: Array, observed: Array, y: Array, weight: Array, penalty: Array) -> Array:
    """Return the coefficients c with adjusted' W (y − observed c) = penalty c."""
    left = adjusted * weight[..., None]
    normal = np.einsum("...nj,...nk->...jk", left, observed) + penalty
    moment = np.einsum("...nj,...n->...j", left, y)
    return np.asarray(np.linalg.solve(normal, moment[..., None])[..., 0])
