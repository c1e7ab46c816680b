"""Estimate effects on the observations: those in the fitted fleet, and further ones beside it.

With P the inverse of the observations' whole covariance (shared effects integrated out) and Z the
effects' design, flat effects have the estimate (Z'PZ)⁻¹ Z'Py; effects N(0, D) have the marginal
likelihood −½ log|I + Z'PZ D| + ½ (Z'Py)'(Z'PZ + D⁻¹)⁻¹ Z'Py beyond the model's own.
"""

from dataclasses import dataclass

import numpy as np

from models.fleet.design import METER, Effect
from models.fleet.inference.likelihood import State
from models.metrology import Z90, Array, Index

_HALF_CHI2 = Z90**2 / 2
"""Half the 90 % quantile of χ² with one degree of freedom: how far the log-likelihood falls."""


def effect_information(state: State, Z: Array) -> tuple[Array, Array]:
    """Return Z'PZ [k, k] and Z'Py [k] of k effects.

    Z: [observations, k] in the observations' order.
    """
    found = zip(*state.each(_information, rows=(Z,)), strict=True)
    M, b, shared = (np.sum(x, axis=0) for x in found)
    M = M - shared.T @ state.C @ shared
    return (M + M.T) / 2, b


def _information(state: State, Z: Array) -> tuple[Array, Array, Array]:
    """Return Z'V⁻¹Z, Z'Py and A'V⁻¹Z [n_shared, k]."""
    k, n = Z.shape[1], state.design.n_shared
    M, b = np.zeros((k, k)), np.zeros(k)
    crossed = np.zeros((n + 1, k))  # A'V⁻¹Z
    for batch, block in zip(state.design.batches, state.blocks, strict=True):
        own = Z[batch.rows] * batch.mask[:, :, None]
        flat = own.reshape(-1, k)
        M += flat.T @ (block.Vinv @ own).reshape(-1, k)
        b += flat.T @ (block.alpha * batch.mask).ravel()
        crossed += batch.to_shared(block.VinvA.transpose(0, 2, 1) @ own, n + 1)
    return M, b, crossed[:n]


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


@dataclass(frozen=True)
class EffectEstimate:
    """Size of an effect and its sd, 100·ln, by the data alone: its own prior is taken out."""

    size: float
    sd: float

    @property
    def z2(self) -> float:
        """Return (size / sd)²."""
        return (self.size / self.sd) ** 2 if self.sd > 0 else 0.0


def estimate_effects(state: State, effects: list[Effect]) -> dict[Effect, EffectEstimate]:
    """Return the estimate of every effect that has a size of its own (noise has none)."""
    columns = state.design.layout.effect_columns
    result: dict[Effect, EffectEstimate | None] = {}
    for found in state.each(_own_estimates, [e for e in effects if e not in columns]):
        result |= found
    for effect in effects:
        if effect in columns:
            c = columns[effect]
            mean, variance = float(state.mean[c]), float(state.C[c, c])
            result[effect] = _without_prior(mean, variance, effect.sd**2)
    return {e: x for e in effects if (x := result.get(e)) is not None}


def _own_estimates(state: State, effects: list[Effect]) -> dict[Effect, EffectEstimate | None]:
    """Return the estimates of the effects of this part's own meters."""
    found = {effect: _own_estimate(state, effect, effect.sd**2) for effect in effects}
    return {effect: x for effect, x in found.items() if x is not None}


def _own_estimate(state: State, effect: Effect, prior2: float) -> EffectEstimate | None:
    if effect.device_kind != METER or effect.kind not in ("step", "entry"):
        return None
    meter = state.design.layout.devices.meter_index[effect.device]
    where, b = state.design.place[meter]
    if where < 0:
        return None
    batch, block = state.design.batches[where], state.blocks[where]
    f = _direction(state, batch.rows[b], batch.mask[b], effect)
    info, score = float(f @ block.P[b] @ f), float(f @ block.alpha[b])
    free = 1 - prior2 * info
    if info <= 0 or free <= 1e-9:
        return None
    return EffectEstimate(score / info, float(np.sqrt(free / info)))


def _direction(state: State, rows: Array, mask: Array, effect: Effect) -> Array:
    obs = state.design.obs
    if effect.kind == "step":
        late: Array = (obs.t[rows] >= effect.at) * mask
        return late
    hit = [obs.name[i] == effect.observation and bool(obs.is_bench[i]) for i in rows]
    single: Array = np.array(hit, dtype=np.float64) * mask
    return single


def _without_prior(mean: float, variance: float, prior2: float) -> EffectEstimate | None:
    """Return what the data alone say, from the posterior under N(0, prior2)."""
    info = 1 / variance - 1 / prior2
    if info <= 1e-9:
        return None
    return EffectEstimate(mean / variance / info, float(np.sqrt(1 / info)))
