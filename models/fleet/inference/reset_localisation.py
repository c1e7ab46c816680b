"""Where inside its gap an unrecorded reset happened, as far as the comparisons tell."""

import numpy as np

from models.fleet.design import Switch
from models.fleet.inference.innovations import expected_covariance
from models.fleet.inference.likelihood import State
from models.metrology import Array


def located_switches(state: State) -> dict[int, list[Switch]]:
    """Switches of the meters with unrecorded resets, their gaps filled in by the data.

    Between two observations in the gap the instant stays uniform; the share of each such
    stretch is its length times the likelihood of the meter's observations, had the slope been
    changed there (the rest of the fleet held to what it says of this meter).
    """
    design = state.design
    located: dict[int, list[Switch]] = {}
    for meter, switches in design.programmed.switches.items():
        where, b = design.place[meter]
        if where < 0 or all(s.certain for s in switches):
            continue
        located[meter] = [
            s if s.certain else _located(state, int(where), int(b), s) for s in switches
        ]
    return located


def _located(state: State, where: int, b: int, switch: Switch) -> Switch:
    batch, block = state.design.batches[where], state.blocks[where]
    n = int(batch.mask[b].sum())
    t = state.design.obs.t[batch.rows[b, :n]]
    start, end = switch.at[0], switch.at[-1]
    inside = np.flatnonzero((t > start) & (t < end))
    if not len(inside):
        return switch
    Q = expected_covariance(batch, block)[b, :n, :n]
    r = Q @ block.alpha[b, :n]
    done = switch.done(t)
    gap = switch.step**2 * (np.minimum.outer(done, done) - np.outer(done, done))
    precision = np.linalg.inv(Q - gap + 1e-9 * np.trace(Q) / n * np.eye(n))
    edges = np.unique(np.concatenate([[start], t[inside], [end]]))
    log_p = np.log(np.diff(edges))
    for k in range(len(edges) - 1):
        changed = r + switch.step * ((t >= edges[k + 1]).astype(float) - done)
        log_p[k] -= 0.5 * float(changed @ precision @ changed)
    return Switch(switch.step, edges, _cumulative(log_p))


def _cumulative(log_p: Array) -> Array:
    p = np.exp(log_p - log_p.max())
    share = np.concatenate([[0.0], np.cumsum(p / p.sum())])
    share[-1] = 1.0
    return share
