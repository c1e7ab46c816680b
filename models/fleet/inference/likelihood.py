"""Evaluate the fleet's marginal likelihood, its gradient, and the average information.

With V the blocks' covariance, A the design of the shared effects u ~ N(0, K) and P the inverse
of V + A K A' (flat effects: the restricted likelihood's P):

    log L = −½ (Σ log|V_i| + log|K| + log|K⁻¹ + A'V⁻¹A| + y'Py + n log 2π)
    gradient  ½ (y'P dV P y − tr(P dV))                 Harville (1977)
    average information  ½ (P y)' dV P dV (P y)          Gilmour, Thompson & Cullis (1995)

Only the diagonal blocks of P are ever formed.
"""

from dataclasses import dataclass
from functools import cached_property

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
_PANEL = 256


@dataclass
class BlockState:
    """A batch at given hyperparameters. alpha: P y; P: its diagonal blocks, 0 where padded."""

    scales: Scales
    Vinv: Array
    VinvA: Array
    alpha: Array
    P: Array


@dataclass
class Solved:
    """A batch before the rest of the fleet is heard: V⁻¹, V⁻¹A and V⁻¹y."""

    scales: Scales
    Vinv: Array
    VinvA: Array
    Vinvy: Array


@dataclass
class State:
    """The whole fleet at given hyperparameters: posterior of the shared effects, all blocks.

    The shared effects' covariance and the blocks are made when first asked for: a trial step
    needs the likelihood alone.
    """

    hyper: Hyper
    design: Design
    prior: SharedPrior
    mean: Array
    precision: "Factor"
    solved: list[Solved]
    log_likelihood: float

    @cached_property
    def C(self) -> Array:
        """Return the shared effects' covariance, [n_shared, n_shared]."""
        return self.precision.inverse()

    @cached_property
    def blocks(self) -> list[BlockState]:
        """Return the state of each batch."""
        padded_C = np.pad(self.C, (0, 1)).ravel()
        return [
            _block_state(batch, part, self.mean, padded_C)
            for batch, part in zip(self.design.batches, self.solved, strict=True)
        ]


def evaluate(design: Design, hyper: Hyper) -> State:
    """Return the posterior of the shared effects and P y, at given hyperparameters.

    LinAlgError: a covariance is not positive definite there.
    """
    n = design.n_shared
    prior = SharedPrior(design.layout.parts, hyper, n)
    h, squares = np.zeros(n + 1), np.zeros((n + 1) ** 2)
    log_det, quadratic, n_obs = 0.0, 0.0, 0
    solved: list[Solved] = []
    for batch in design.batches:
        scales = Scales(hyper, batch)
        Vinv, log_V = _inverse(block_covariance(batch, scales))
        VinvA, Vinvy = Vinv @ batch.A, np.einsum("bij,bj->bi", Vinv, batch.y)
        np.add.at(squares, batch.pairs(n + 1), (batch.A.transpose(0, 2, 1) @ VinvA).ravel())
        hit = np.einsum("bnc,bn->bc", batch.A, Vinvy)
        h += np.bincount(batch.columns.ravel(), weights=hit.ravel(), minlength=n + 1)
        log_det += log_V
        quadratic += float(np.sum(batch.y * Vinvy))
        n_obs += int(batch.mask.sum())
        solved.append(Solved(scales, Vinv, VinvA, Vinvy))
    precision = Factor(squares.reshape(n + 1, n + 1)[:n, :n] + prior.precision)
    mean = precision.solve(h[:n])
    total = log_det + precision.log_det + prior.log_det + quadratic - float(h[:n] @ mean)
    n_free = n_obs - prior.n_flat
    return State(hyper, design, prior, mean, precision, solved, -0.5 * (total + n_free * _LOG_2PI))


def _inverse(V: Array) -> tuple[Array, float]:
    """Return the inverses of a batch of covariances and the sum of their log determinants."""
    L = np.linalg.cholesky(V)
    log_det = 2 * float(np.sum(np.log(np.einsum("bii->bi", L))))
    upper = L.transpose(0, 2, 1)
    for each in upper:  # in the order that LAPACK works in, so each is inverted in its place
        lapack.dtrtri(each, lower=0, overwrite_c=1)
    return upper @ L, log_det


class Factor:
    """A positive definite matrix M by its Cholesky factor, scaled to a unit diagonal.

    M: its upper triangle counts. LinAlgError: M is not positive definite.
    """

    def __init__(self, M: Array) -> None:
        self.scale = 1 / np.sqrt(np.diag(M))
        M = M * self.scale[:, None]
        M *= self.scale
        # transposed, the upper triangle is the lower one of the order that LAPACK works in
        self.L: Array = M
        info = 0
        if len(M):
            self.L, info = lapack.dpotrf(M.T, lower=1, clean=0, overwrite_a=1)
        if info:
            raise np.linalg.LinAlgError("the shared effects' precision is not positive definite")
        self.log_det = 2 * float(np.sum(np.log(np.diag(self.L)) - np.log(self.scale)))

    def solve(self, b: Array) -> Array:
        """Return M⁻¹b."""
        if not len(b):
            return b
        x: Array = lapack.dpotrs(self.L, b * self.scale, lower=1)[0]
        x *= self.scale
        return x

    def half(self, b: Array) -> Array:
        """Return w of b [n, k] such that w'w = b'M⁻¹b."""
        if not len(b):
            return b
        w: Array = lapack.dtrtrs(self.L, b * self.scale[:, None], lower=1)[0]
        return w

    def inverse(self) -> Array:
        """Return M⁻¹."""
        if not len(self.L):
            return self.L
        inverse: Array = lapack.dpotri(self.L, lower=1)[0]
        inverse *= self.scale[:, None]
        inverse *= self.scale
        return _mirrored(inverse)


def _mirrored(M: Array) -> Array:
    """Fill the upper triangle from the lower, in place, panel by panel."""
    for k in range(0, len(M), _PANEL):
        rows = slice(k, k + _PANEL)
        corner = np.tril(M[rows, rows])
        M[rows, rows] = corner + np.tril(corner, -1).T
        M[rows, k + _PANEL :] = M[k + _PANEL :, rows].T
    return M


def _block_state(batch: Batch, part: Solved, mean: Array, padded_C: Array) -> BlockState:
    alpha = part.Vinvy - np.einsum("bnc,bc->bn", part.VinvA, padded(mean, batch))
    n, c = len(mean) + 1, batch.columns.shape[1]
    C = padded_C.take(batch.pairs(n)).reshape(-1, c, c)
    P = part.VinvA @ C @ part.VinvA.transpose(0, 2, 1)
    np.subtract(part.Vinv, P, out=P)
    P *= batch.mask[:, :, None] * batch.mask[:, None, :]
    return BlockState(part.scales, part.Vinv, part.VinvA, alpha, P)


def padded(v: Array, batch: Batch) -> Array:
    """Return a vector over the shared effects at each block's columns, [B, c]; 0 at the dummy."""
    return np.append(v, 0.0)[batch.columns]


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


@dataclass
class _Turned:
    """V⁻¹ times d(V + A K A') P y by batch, A' times that, and the shared effects' part of it."""

    information: Array
    solved: list[Array]
    Ca: Array
    mean: Array


def average_information(state: State) -> Array:
    """Return the average information of the active hyperparameters, [active, active]."""
    return _turned(state).information


def curvature(state: State) -> Curvature:
    """Return the average information and the posterior's derivatives in the active ones."""
    turned = _turned(state)
    Ca = np.pad(turned.Ca, ((0, 1), (0, 0)))
    responses = [
        b.VinvA @ Ca[batch.columns] - Vf
        for batch, b, Vf in zip(state.design.batches, state.blocks, turned.solved, strict=True)
    ]
    return Curvature(turned.information, responses, turned.mean)


def _turned(state: State) -> _Turned:
    active = np.flatnonzero(state.hyper.active)
    V = state.prior.directions(active, state.mean)
    n, n_active = state.design.n_shared, len(active)
    total, padded_V = np.zeros((n + 1, n_active)), np.pad(V, ((0, 1), (0, 0)))
    info = np.zeros((n_active, n_active))
    solved: list[Array] = []
    for batch, b in zip(state.design.batches, state.blocks, strict=True):
        f = _directions(batch, b, padded_V, active, state.hyper)
        Vf = b.Vinv @ f
        info += f.reshape(-1, n_active).T @ Vf.reshape(-1, n_active)
        total += batch.to_shared(batch.A.transpose(0, 2, 1) @ Vf, n + 1)
        solved.append(Vf)
    a = total[:n]
    Ca = state.C @ a
    return _Turned((info - a.T @ Ca) / 2, solved, Ca, V - Ca)


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
