"""Looks at what many meters share: steps of references and mass sets, bends of groups.

A candidate is a direction over all observations, f: what the observations would show per unit
of the effect. Its score is f'Py, its information f'Pf, with P of the whole fleet (the shared
effects' uncertainty included), so a trainer's step is judged by all of its meters at once.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from models.fleet.arrays import Array, Flags, Index
from models.fleet.blocks import Batch
from models.fleet.effects import BENCH, GROUP, METER, REFERENCE
from models.fleet.likelihood import State

_MOST_DATES = 60
_QUARTER = 0.25
_SETTLED = 0.5  # years of a group's past and present that a bend needs

Direction = Callable[[Batch], tuple[Flags, Array]]
"""For a batch: which of its meters are touched, and f of those, [touched, n, candidates]."""


@dataclass
class Scan:
    """All candidates of one device: when, z, size, sd, and correlation with the next."""

    kind: str
    device_kind: str
    device: int
    at: Array
    since: Array
    z: Array
    size: Array
    sd: Array
    rho: Array


def shared_scans(state: State) -> Iterator[Scan]:
    """Scans of every reference, mass set, promoted meter and group."""
    obs = state.design.obs
    for r in np.unique(obs.ref[obs.ref >= 0]):
        yield from _device_scan(state, REFERENCE, int(r), obs.ref == r, -1.0)
    for b in np.unique(obs.bench[obs.bench >= 0]):
        yield from _device_scan(state, BENCH, int(b), obs.bench == b, 1.0)
        yield _offset_scan(state, int(b))
    for m in state.design.layout.courses:
        yield from _promoted_scan(state, m)
    for g in range(len(state.design.layout.devices.groups)):
        yield from _bend_scan(state, g)


def _dates(t: Array) -> tuple[Array, Array]:
    """Instants at which a step may show first, and the observation before each."""
    used = np.unique(t)
    if len(used) < 2:
        return np.zeros(0), np.zeros(0)
    k = np.arange(1, len(used))
    if len(k) > _MOST_DATES:
        k = np.unique(np.linspace(1, len(used) - 1, _MOST_DATES).round().astype(np.int64))
    return used[k], used[k - 1]


def _device_scan(state: State, kind: str, device: int, mine: Flags, sign: float) -> Iterator[Scan]:
    obs = state.design.obs
    at, since = _dates(obs.t[mine])
    if not len(at):
        return

    def direction(batch: Batch) -> tuple[Flags, Array]:
        hit = mine[batch.rows] & (batch.mask > 0)
        touched: Flags = np.any(hit, axis=1)
        late = obs.t[batch.rows[touched]][:, :, None] >= at
        return touched, np.where(hit[touched][:, :, None] & late, sign, 0.0)

    yield _scan(state, "step", kind, device, at, since, direction)


def _offset_scan(state: State, bench: int) -> Scan:
    """Is a mass set further off what is stated than its uncertainty allows?"""
    obs = state.design.obs
    mine = obs.bench == bench

    def direction(batch: Batch) -> tuple[Flags, Array]:
        hit = mine[batch.rows] & (batch.mask > 0)
        touched = hit.any(axis=1)
        return touched, hit[touched][:, :, None].astype(np.float64)

    first = np.array([obs.t[mine].min()])
    return _scan(state, "offset", BENCH, bench, first, first, direction)


def _promoted_scan(state: State, meter: int) -> Iterator[Scan]:
    obs = state.design.obs
    sign = (obs.owner == meter).astype(np.float64) - (obs.other == meter)
    at, since = _dates(obs.t[sign != 0])
    if not len(at):
        return

    def direction(batch: Batch) -> tuple[Flags, Array]:
        s = sign[batch.rows] * batch.mask
        touched: Flags = np.any(s != 0, axis=1)
        late = obs.t[batch.rows[touched]][:, :, None] >= at
        return touched, s[touched][:, :, None] * late

    yield _scan(state, "step", METER, meter, at, since, direction)


def _bend_scan(state: State, group: int) -> Iterator[Scan]:
    """A change of a whole group's drift, by quarters."""
    obs, devices = state.design.obs, state.design.layout.devices
    mine = devices.group[obs.owner] == group
    if not mine.any():
        return
    t = obs.t[mine]
    at = np.arange(t.min() + _SETTLED, t.max() - _SETTLED, _QUARTER)
    if not len(at):
        return

    def direction(batch: Batch) -> tuple[Flags, Array]:
        now = obs.t[batch.rows]
        other = np.where(obs.other >= 0, devices.group[obs.other], -1)[batch.rows]
        sign = (batch.group == group)[:, None] * 1.0 - (other == group)
        touched = ((sign * batch.mask) != 0).any(axis=1)
        ahead = np.maximum(now[touched][:, :, None] - at, 0.0)
        f: Array = (sign * batch.mask)[touched][:, :, None] * ahead
        return np.asarray(touched, dtype=np.bool_), f

    yield _scan(state, "bend", GROUP, group, at, at, direction)


def _scan(
    state: State,
    kind: str,
    device_kind: str,
    device: int,
    at: Array,
    since: Array,
    direction: Direction,
) -> Scan:
    n, K = state.design.n_shared, len(at)
    score, info, a = np.zeros(K), np.zeros((K, K)), np.zeros((n + 1, K))
    for batch, block in zip(state.design.batches, state.blocks, strict=True):
        touched, f = direction(batch)
        if not touched.any():
            continue
        f = f.astype(np.float64)
        Vf = block.Vinv[touched] @ f
        score += np.einsum("bnk,bn->k", f, block.alpha[touched])
        info += f.reshape(-1, K).T @ Vf.reshape(-1, K)
        local = np.zeros((*batch.columns.shape, K))
        local[touched] = batch.A[touched].transpose(0, 2, 1) @ Vf
        batch.add_to_shared(a, local)
    info -= a[:n].T @ state.C @ a[:n]
    own = np.maximum(np.diag(info), 1e-9)
    rho = np.diag(info, 1) / np.sqrt(own[:-1] * own[1:])
    return Scan(
        kind,
        device_kind,
        device,
        at,
        since,
        score / np.sqrt(own),
        score / own,
        1 / np.sqrt(own),
        rho,
    )


def best_date(scan: Scan) -> Index:
    """Candidates from the best supported down."""
    order: Index = np.argsort(-np.abs(scan.z))
    return order
