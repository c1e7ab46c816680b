"""Localise unrecorded resets within their gaps, as far as the comparisons tell."""

import numpy as np

from models.fleet.design import SlopeChange
from models.fleet.inference.innovations import inverted
from models.fleet.inference.likelihood import State
from models.metrology import Array


def localised_changes(state: State) -> dict[int, list[SlopeChange]]:
    """Return by meter its slope changes, unrecorded ones with their instants as the data tell.

    Between two observations in the gap the instant stays uniform; the share of each such
    stretch is its length times the likelihood of the meter's observations, had the slope been
    changed there (the rest of the fleet held to what it says of this meter).
    """
    located: dict[int, list[SlopeChange]] = {}
    for found in state.each(_localised):
        located |= found
    return located


def _localised(state: State) -> dict[int, list[SlopeChange]]:
    design = state.design
    located: dict[int, list[SlopeChange]] = {}
    for meter, changes in design.programmed.changes.items():
        where, b = design.place[meter]
        if where < 0 or all(s.certain for s in changes):
            continue
        located[meter] = [
            s if s.certain else _located(state, int(where), int(b), s) for s in changes
        ]
    return located


def _located(state: State, where: int, b: int, change: SlopeChange) -> SlopeChange:
    batch, block = state.design.batches[where], state.blocks[where]
    n = int(batch.mask[b].sum())
    t = state.design.obs.t[batch.rows[b, :n]]
    start, end = change.at[0], change.at[-1]
    inside = np.flatnonzero((t > start) & (t < end))
    if not len(inside):
        return change
    Q = inverted(block.P[b : b + 1, :n, :n], np.ones((1, n)))[0]
    r = Q @ block.alpha[b, :n]
    done = change.probability_by(t)
    gap = change.step**2 * (np.minimum.outer(done, done) - np.outer(done, done))
    precision = np.linalg.inv(Q - gap + 1e-9 * np.trace(Q) / n * np.eye(n))
    edges = np.unique(np.concatenate([[start], t[inside], [end]]))
    log_p = np.log(np.diff(edges))
    for k in range(len(edges) - 1):
        changed = r + change.step * ((t >= edges[k + 1]).astype(float) - done)
        log_p[k] -= 0.5 * float(changed @ precision @ changed)
    return SlopeChange(change.step, edges, _cumulative(log_p))


def _cumulative(log_p: Array) -> Array:
    p = np.exp(log_p - log_p.max())
    share = np.concatenate([[0.0], np.cumsum(p / p.sum())])
    share[-1] = 1.0
    return share
