"""The covariance of a ride's fit: neighbouring windows share their wander.

The interval rests on the residuals' long-run variance, so that slow wander counts, and knows what
the fit has taken out of them.
"""

import numpy as np

from models.metrology import Array, Fit, Mask

_LUCKY = 1e-6  # share of the independent windows' variance below which it is rounding, not luck
_MOST_TAKEN = 9.0  # times the variance


def covariance_of(
    power: Array, fit: Fit, kept: Mask, nuisance: Array, penalty: Array
) -> tuple[Array, float]:
    """Return the sandwich covariance with the scores' long-run variance, and its dof.

    power: (n,) the gain's column; nuisance: (n, m) the others, penalty (m,) their prior precision

    The prior's part counts as the variance that it stands for.
    """
    design = np.column_stack([power, nuisance])
    prior = np.diag([0.0, *penalty])
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
