"""Differentiate the fleet's marginal likelihood: its gradient, and the average information.

With P the inverse of the observations' whole covariance (see models.fleet.inference.likelihood):

    gradient  ½ (y'P dV P y − tr(P dV))                 Harville (1977)
    average information  ½ (P y)' dV P dV (P y)          Gilmour, Thompson & Cullis (1995)
"""

from dataclasses import dataclass

import numpy as np

from models.fleet.design import EVENT_KINDS, Batch
from models.fleet.inference.covariance import (
    EVENT,
    N_LOCAL,
    RIDER,
    applied,
    bridge_contracted,
    contracted,
)
from models.fleet.inference.hyper import Hyper
from models.fleet.inference.likelihood import BlockState, State
from models.metrology import Array, Index


def gradient(state: State) -> Array:
    """Return the log-likelihood's derivatives in all of the hyperparameters' working values."""
    assert state.prior is not None
    hyper = state.hyper
    local, walks = (np.sum(x, axis=0) for x in zip(*state.each(_local_gradient), strict=True))
    g = np.zeros(len(hyper.keys))
    n_groups = len(hyper.groups)
    for k in range(EVENT):
        g[k * n_groups : (k + 1) * n_groups] = local[:, k]
    for k, kind in enumerate(EVENT_KINDS, EVENT):
        g[hyper.index(kind, -1)] = local[:, k].sum()
    g[hyper.index("rider", -1)] += local[:, RIDER].sum()
    g[hyper.index("reference_walk", -1)] += walks
    state.prior.add_gradient(g, state.mean, state.C)
    return g


def _local_gradient(state: State) -> tuple[Array, float]:
    """Return the blocks' part by group and local part [groups, N_LOCAL], and of references."""
    n_groups = len(state.hyper.groups)
    local = np.zeros((n_groups, N_LOCAL))
    walks, other = 0.0, np.zeros(n_groups)
    for batch, b in zip(state.design.batches, state.blocks, strict=True):
        M = b.alpha[:, :, None] * b.alpha[:, None, :] - b.P
        np.add.at(local, batch.group, contracted(batch, b.scales, M))
        reference, by_group = bridge_contracted(batch, b.scales, M)
        walks += reference
        other += by_group
    local[:, 4] += other
    return local, walks


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


def average_information(state: State) -> Array:
    """Return the average information of the active hyperparameters, [active, active]."""
    V, active = _shared_directions(state)
    found = zip(*state.each(_turned_sums, V, active), strict=True)
    return _information(state, *(np.sum(x, axis=0) for x in found))[0]


def curvature(state: State) -> Curvature:
    """Return the average information and the posterior's derivatives in the active ones.

    state: of a whole fleet with all of its blocks
    """
    V, active = _shared_directions(state)
    info, total, solved = _turned(state, V, active)
    information, Ca = _information(state, info, total)
    padded_Ca = np.pad(Ca, ((0, 1), (0, 0)))
    responses = [
        b.VinvA @ padded_Ca[batch.columns] - Vf
        for batch, b, Vf in zip(state.design.batches, state.blocks, solved, strict=True)
    ]
    return Curvature(information, responses, V - Ca)


def _shared_directions(state: State) -> tuple[Array, Index]:
    """Return the shared effects' part [n_shared, active], and which hyperparameters are active."""
    assert state.prior is not None
    active = np.flatnonzero(state.hyper.active)
    return state.prior.directions(active, state.mean), active


def _information(state: State, info: Array, total: Array) -> tuple[Array, Array]:
    """Return the average information, and C times `total`; see `_turned`."""
    Ca: Array = state.C @ total
    return (info - total.T @ Ca) / 2, Ca


def _turned_sums(state: State, V: Array, active: Index) -> tuple[Array, Array]:
    return _turned(state, V, active)[:2]


def _turned(state: State, V: Array, active: Index) -> tuple[Array, Array, list[Array]]:
    """Return with f = d(V + A K A') P y: f'V⁻¹f, A'V⁻¹f [n_shared, active], V⁻¹f by batch."""
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
    return info, total[:n], solved


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
        elif kind == "rider":
            f[..., k] += local[..., RIDER]
        elif kind == "reference_walk":
            f[..., k] += 2 * b.scales.reference2 * batch.bridge_reference * b.alpha
    return f
