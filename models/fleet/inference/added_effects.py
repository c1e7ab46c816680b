"""Estimate further effects on the observations, beside everything in the model.

With P the inverse of the observations' whole covariance (shared effects integrated out) and Z the
effects' design, flat effects have the estimate (Z'PZ)⁻¹ Z'Py; effects N(0, D) have the marginal
likelihood −½ log|I + Z'PZ D| + ½ (Z'Py)'(Z'PZ + D⁻¹)⁻¹ Z'Py beyond the model's own.
"""

import numpy as np

from models.fleet.inference.likelihood import State
from models.metrology import Z90, Array, Index

_HALF_CHI2 = Z90**2 / 2
"""Half the 90 % quantile of χ² with one degree of freedom: how far the log-likelihood falls."""


def effect_information(state: State, Z: Array) -> tuple[Array, Array]:
    """Return Z'PZ [k, k] and Z'Py [k] of k effects.

    Z: [observations, k] in the observations' order.
    """
    k, n = Z.shape[1], state.design.n_shared
    M, b = np.zeros((k, k)), np.zeros(k)
    crossed = np.zeros((n + 1, k))  # A'V⁻¹Z
    for batch, block in zip(state.design.batches, state.blocks, strict=True):
        own = Z[batch.rows] * batch.mask[:, :, None]
        flat = own.reshape(-1, k)
        M += flat.T @ (block.Vinv @ own).reshape(-1, k)
        b += flat.T @ (block.alpha * batch.mask).ravel()
        crossed += batch.to_shared(block.VinvA.transpose(0, 2, 1) @ own, n + 1)
    shared = crossed[:n]
    M -= shared.T @ state.C @ shared
    return (M + M.T) / 2, b


def fit_sds(M: Array, b: Array, part: Index, *, widest: float = 2.0) -> tuple[Array, Array]:
    """Return the parts' sds by marginal likelihood, and their 90 % ends.

    In      M, b: see `effect_information`; part [k]: which of n parts each effect belongs to;
            sds are sought in 0 … widest (100·ln)
    Out     sds [n]; ends [n, 2] by the profile likelihood (χ², one degree of freedom)
    """
    from scipy.optimize import brentq, minimize

    n = int(part.max()) + 1

    def loss(sds: Array) -> float:
        return -log_likelihood(M, b, np.asarray(sds)[part])

    bounds = [(0.0, widest)] * n
    starts = [np.full(n, s) for s in (0.02, 0.2)]
    found = min(
        (minimize(loss, s, method="L-BFGS-B", bounds=bounds) for s in starts), key=lambda r: r.fun
    )
    sds, least = np.asarray(found.x), float(found.fun)

    def profile(i: int, value: float) -> float:
        held = [*bounds]
        held[i] = (value, value)
        start = sds.copy()
        start[i] = value
        rest = minimize(loss, start, method="L-BFGS-B", bounds=held)
        return float(rest.fun) - least - _HALF_CHI2

    ends = np.zeros((n, 2))
    for i in range(n):
        low, high = profile(i, 0.0), profile(i, widest)
        ends[i, 0] = brentq(lambda v, i=i: profile(i, v), 0.0, sds[i], xtol=1e-3) if low > 0 else 0
        ends[i, 1] = (
            brentq(lambda v, i=i: profile(i, v), sds[i], widest, xtol=1e-3) if high > 0 else widest
        )
    return sds, ends


def log_likelihood(M: Array, b: Array, sd: Array) -> float:
    """Return what effects N(0, sd²), sd [k], add to the log-likelihood."""
    S = sd[:, None] * M * sd + np.eye(len(b))
    _, log_det = np.linalg.slogdet(S)
    g = sd * b
    return float(-0.5 * log_det + 0.5 * g @ np.linalg.solve(S, g))
