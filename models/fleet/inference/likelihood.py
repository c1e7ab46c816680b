"""Evaluate the fleet's marginal likelihood, its gradient, and the average information.

With V the blocks' covariance, A the design of the shared effects u ~ N(0, K) and P the inverse
of V + A K A' (flat effects: the restricted likelihood's P):

    log L = −½ (Σ log|V_i| + log|K| + log|K⁻¹ + A'V⁻¹A| + y'Py + n log 2π)
    gradient  ½ (y'P dV P y − tr(P dV))                 Harville (1977)
    average information  ½ (P y)' dV P dV (P y)          Gilmour, Thompson & Cullis (1995)

Only the diagonal blocks of P are ever formed.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import lapack

from models.fleet.design import EVENT_KINDS, Batch, Design
from models.fleet.inference.covariance import (
    EVENT,
    N_LOCAL,
    Scales,
    applied,
    block_covariance,
    bridge_contracted,
    contracted,
)
from models.fleet.inference.hyper import Hyper
from models.fleet.inference.shared_prior import SharedPrior
from models.metrology import Array, Index

_LOG_2PI = float(np.log(2 * np.pi))


@dataclass
class BlockState:
    """A batch at given hyperparameters. alpha: P y; P: its diagonal blocks, 0 where padded."""

    scales: Scales
    Vinv: Array
    VinvA: Array
    alpha: Array
    P: Array


@dataclass
class State:
    """The whole fleet at given hyperparameters: posterior of the shared effects, all blocks."""

    hyper: Hyper
    design: Design
    prior: SharedPrior
    mean: Array
    C: Array
    blocks: list[BlockState]
    log_likelihood: float


def evaluate(design: Design, hyper: Hyper) -> State:
    """Return the posterior of the shared effects and P y, at given hyperparameters.

    LinAlgError: a covariance is not positive definite there.
    """
    n = design.n_shared
    prior = SharedPrior(design.layout.parts, hyper, n)
    h = np.zeros(n + 1)
    squares: list[Array] = []
    log_det, quadratic, n_obs = 0.0, 0.0, 0
    partial: list[tuple[Scales, Array, Array, Array]] = []
    for batch in design.batches:
        scales = Scales(hyper, batch)
        Vinv, log_V = _inverse(block_covariance(batch, scales))
        VinvA, Vinvy = Vinv @ batch.A, np.einsum("bij,bj->bi", Vinv, batch.y)
        squares.append((batch.A.transpose(0, 2, 1) @ VinvA).ravel())
        hit = np.einsum("bnc,bn->bc", batch.A, Vinvy)
        h += np.bincount(batch.columns.ravel(), weights=hit.ravel(), minlength=n + 1)
        log_det += log_V
        quadratic += float(np.sum(batch.y * Vinvy))
        n_obs += int(batch.mask.sum())
        partial.append((scales, Vinv, VinvA, Vinvy))
    precision = _summed(design, squares)[:n, :n] + prior.precision
    C, log_precision = _spd_inverse(precision)
    mean = C @ h[:n]
    blocks = [
        _block_state(batch, part, mean, C)
        for batch, part in zip(design.batches, partial, strict=True)
    ]
    total = log_det + log_precision + prior.log_det + quadratic - float(h[:n] @ mean)
    n_free = n_obs - prior.n_flat
    return State(hyper, design, prior, mean, C, blocks, -0.5 * (total + n_free * _LOG_2PI))


def _inverse(V: Array) -> tuple[Array, float]:
    """Return the inverses of a batch of covariances and the sum of their log determinants."""
    L = np.linalg.cholesky(V)
    log_det = 2 * float(np.sum(np.log(np.einsum("bii->bi", L))))
    Vinv = np.linalg.inv(V)
    return (Vinv + Vinv.transpose(0, 2, 1)) / 2, log_det


def _spd_inverse(M: Array) -> tuple[Array, float]:
    """Return the inverse and log determinant of a positive definite matrix, by Cholesky."""
    if not len(M):
        return M, 0.0
    scale = 1 / np.sqrt(np.diag(M))
    L, info = lapack.dpotrf(M * scale[:, None] * scale, lower=1, clean=1)
    if info:
        raise np.linalg.LinAlgError("the shared effects' precision is not positive definite")
    log_det = 2 * float(np.sum(np.log(np.diag(L)))) - 2 * float(np.sum(np.log(scale)))
    inverse, _ = lapack.dpotri(L, lower=1)
    lower = np.tril(inverse, -1)
    full: Array = (lower + lower.T + np.diag(np.diag(inverse))) * scale[:, None] * scale
    return full, log_det


def _summed(design: Design, squares: list[Array]) -> Array:
    """Sum each batch's local squares to A'V⁻¹A over the shared effects (and the dummy)."""
    n = design.n_shared + 1
    if not squares:
        return np.zeros((n, n))
    where, what = np.concatenate(design.pairs), np.concatenate(squares)
    total = np.bincount(where, weights=what, minlength=n * n)
    return total.reshape(n, n).astype(np.float64, copy=False)


def _block_state(
    batch: Batch, part: tuple[Scales, Array, Array, Array], mean: Array, C: Array
) -> BlockState:
    scales, Vinv, VinvA, Vinvy = part
    alpha = Vinvy - np.einsum("bnc,bc->bn", VinvA, padded(mean, batch))
    P = Vinv - VinvA @ gathered(C, batch) @ VinvA.transpose(0, 2, 1)
    P *= batch.mask[:, :, None] * batch.mask[:, None, :]
    return BlockState(scales, Vinv, VinvA, alpha, P)


def padded(v: Array, batch: Batch) -> Array:
    """Return a vector over the shared effects at each block's columns, [B, c]; 0 at the dummy."""
    return np.append(v, 0.0)[batch.columns]


def gathered(C: Array, batch: Batch) -> Array:
    """Return a matrix over the shared effects at each block's columns, [B, c, c]."""
    if not len(C):
        return np.zeros((*batch.columns.shape, batch.columns.shape[1]))
    k = np.minimum(batch.columns, len(C) - 1)
    out: Array = C[k[:, :, None], k[:, None, :]]
    return out


def gradient(state: State) -> Array:
    """Return the log-likelihood's derivatives in all of the hyperparameters' working values."""
    hyper = state.hyper
    local = np.zeros((len(hyper.groups), N_LOCAL))
    walks, other = 0.0, np.zeros(len(hyper.groups))
    for batch, b in zip(state.design.batches, state.blocks, strict=True):
        M = b.alpha[:, :, None] * b.alpha[:, None, :] - b.P
        np.add.at(local, batch.group, contracted(batch, b.scales, M))
        reference, by_group = bridge_contracted(batch, b.scales, M)
        walks += reference
        other += by_group
    local[:, 4] += other
    g = np.zeros(len(hyper.keys))
    n_groups = len(hyper.groups)
    for k in range(EVENT):
        g[k * n_groups : (k + 1) * n_groups] = local[:, k]
    for k, kind in enumerate(EVENT_KINDS, EVENT):
        g[hyper.index(kind, -1)] = local[:, k].sum()
    g[hyper.index("reference_walk", -1)] += walks
    state.prior.add_gradient(g, state.mean, state.C)
    return g


@dataclass
class Curvature:
    """Average information of the active hyperparameters, and the posterior's derivatives in them.

    responses   derivative of alpha = P y, [B, n, active] for each batch
    mean        derivative of the shared effects' posterior mean, [n_shared, active]
    With what is left open (see `with_open`) both have further columns, one each.
    """

    information: Array
    responses: list[Array]
    mean: Array


def curvature(state: State) -> Curvature:
    """Return the average information and the posterior's derivatives in the active ones."""
    active = np.flatnonzero(state.hyper.active)
    V = state.prior.directions(active, state.mean)
    n, n_active = state.design.n_shared, len(active)
    total = np.zeros((n + 1, n_active))
    info = np.zeros((n_active, n_active))
    solved: list[Array] = []
    for batch, b in zip(state.design.batches, state.blocks, strict=True):
        f = _directions(batch, b, np.concatenate([V, np.zeros((1, n_active))]), active, state.hyper)
        Vf = b.Vinv @ f
        flat = f.reshape(-1, n_active)
        info += flat.T @ Vf.reshape(-1, n_active)
        a = batch.A.transpose(0, 2, 1) @ Vf
        total += batch.to_shared(a, n + 1)
        solved.append(Vf)
    a = total[:n]
    Ca = np.concatenate([state.C @ a, np.zeros((1, n_active))])
    responses = [
        b.VinvA @ Ca[batch.columns] - Vf
        for batch, b, Vf in zip(state.design.batches, state.blocks, solved, strict=True)
    ]
    return Curvature((info - a.T @ Ca[:n]) / 2, responses, V - Ca[:n])


def with_open(curve: Curvature, state: State, shown: Array) -> Curvature:
    """Return the curvature with the posterior's derivatives in effects that the model leaves out.

    shown: what a unit of each adds to the observations, [observations, k]; were it taken off them,
    alpha would change by −P shown, the shared effects' mean by −C A'V⁻¹ shown.
    """
    n, k = state.design.n_shared, shown.shape[1]
    total, solved = np.zeros((n + 1, k)), []
    for batch, b in zip(state.design.batches, state.blocks, strict=True):
        f = shown[batch.rows] * batch.mask[:, :, None]
        total += batch.to_shared(b.VinvA.transpose(0, 2, 1) @ f, n + 1)
        solved.append(b.Vinv @ f)
    moved = np.concatenate([state.C @ total[:n], np.zeros((1, k))])
    responses = [
        np.concatenate([r, b.VinvA @ moved[batch.columns] - Vf], axis=2)
        for batch, b, r, Vf in zip(
            state.design.batches, state.blocks, curve.responses, solved, strict=True
        )
    ]
    return Curvature(curve.information, responses, np.concatenate([curve.mean, -moved[:n]], axis=1))


def _directions(batch: Batch, b: BlockState, V: Array, active: Index, hyper: Hyper) -> Array:
    """Return d(V + A K A') P y of each active hyperparameter, [B, n, active]."""
    local = applied(batch, b.scales, b.alpha)
    f = batch.A @ V[batch.columns]
    n_groups = len(hyper.groups)
    for k, i in enumerate(active):
        kind, group = hyper.keys[i]
        if kind in EVENT_KINDS:
            f[..., k] += local[..., EVENT + EVENT_KINDS.index(kind)]
        elif group >= 0:
            f[..., k] += local[..., i // n_groups] * (batch.group == group)[:, None]
        elif kind == "reference_walk":
            f[..., k] += 2 * b.scales.reference2 * batch.bridge_reference * b.alpha
    return f
