"""Look at what many meters share: steps of references and mass sets, bends and seasons of groups.

A candidate is a direction over all observations, f: what the observations would show per unit
of the effect. Its score is f'Py, its information f'Pf, with P of the whole fleet (the shared
effects' uncertainty included), so a trainer's step is judged by all of its meters at once.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from models.fleet.design import (
    BENCH,
    GROUP,
    METER,
    REFERENCE,
    SEASONS,
    Batch,
    Design,
    from_the_end,
    rows_of_each,
    season_direction,
)
from models.fleet.inference import BlockState, State, effect_information
from models.metrology import Array, Index, Mask

_COARSE = 60
_MOST_DATES = 40
_WORTH_REFINING = 2.0
_QUARTER = 0.25
_SETTLED = 0.5  # years of a group's past and present that a bend needs
_SEASON_NEEDS = 1.0  # years of records that a yearly swing needs

Direction = Callable[[Design, Batch], tuple[Mask, Array]]
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
    """Yield a scan of every reference, mass set, promoted meter and group."""
    obs = state.design.obs
    for r in np.unique(obs.ref[obs.ref >= 0]):
        yield from _steps_of(state, REFERENCE, int(r), -(obs.ref == r).astype(np.float64))
    for b in np.unique(obs.bench[obs.bench >= 0]):
        yield from _steps_of(state, BENCH, int(b), (obs.bench == b).astype(np.float64))
        yield _offset_scan(state, int(b))
    for m in state.design.layout.courses:
        sign = (obs.owner == m).astype(np.float64) - (obs.other == m)
        yield from _steps_of(state, METER, int(m), sign)
    for g in range(len(state.design.layout.devices.groups)):
        yield from _bend_scan(state, g)
        yield from _season_scans(state, g)


def _steps_of(state: State, kind: str, device: int, sign: Array) -> Iterator[Scan]:
    """Scan for steps of one device that enters the observations with these signs.

    A coarse scan first; where it shows something, all dates around the best.
    """
    rows = np.flatnonzero(sign)
    used = np.unique(state.design.obs.t[rows])
    if len(used) < 2:
        return
    k = np.arange(1, len(used))
    if len(k) > _COARSE:
        k = np.unique(np.linspace(1, len(used) - 1, _COARSE).round().astype(np.int64))
    scan, tried = _step_scan(state, (kind, device), sign, rows, used, k), k
    best = int(np.argmax(np.abs(scan.z)))
    if len(k) < len(used) - 1 and abs(scan.z[best]) > _WORTH_REFINING:
        low, high = k[max(best - 1, 0)], k[min(best + 1, len(k) - 1)]
        near = np.arange(low, high + 1)
        step = int(np.ceil(len(near) / _MOST_DATES))
        tried = np.union1d(k, near[::step])
        scan = _step_scan(state, (kind, device), sign, rows, used, tried)
    yield replace(scan, rho=between_all(scan.rho, np.diff(tried)))


def between_all(rho: Array, dates: Index) -> Array:
    """Return the correlations of all neighbouring dates, [Σ dates], also of those not looked at.

    rho: of the candidates looked at, so many dates apart. The best of them is looked at more
    closely, so that all dates had their chance. A step's statistic is a Markov chain over the
    dates: correlations multiply.
    """
    return np.repeat(np.clip(rho, 0.0, 1.0) ** (1 / np.maximum(dates, 1)), dates)


def _step_scan(
    state: State, what: tuple[str, int], sign: Array, rows: Index, used: Array, k: Index
) -> Scan:
    at = used[k]
    reached = np.zeros(len(sign), dtype=np.int64)
    reached[rows] = np.searchsorted(at, state.design.obs.t[rows], side="right")
    sums = _joined(state.each(_late, len(at) + 1, rows=(sign, reached)))
    return _judged(state, ("step", *what), at, used[k - 1], sums)


@dataclass
class _Sums:
    """What a device's candidates add up to: f'Py [K], f'V⁻¹f [K, K], A'V⁻¹f [n_shared, K]."""

    score: Array
    info: Array
    a: Array


def _joined(parts: list[_Sums]) -> _Sums:
    """Return the sums over parts of a fleet."""
    found = zip(*((x.score, x.info, x.a) for x in parts), strict=True)
    return _Sums(*(np.sum(x, axis=0) for x in found))


def _late(state: State, K: int, sign: Array, reached: Index) -> _Sums:
    """Sum up steps: each observation counts, with its sign, in its first `reached` candidates.

    Summed by the number reached, then from the end: only what the device enters is looked at.
    """
    n, design = state.design.n_shared + 1, state.design
    score, info, a = np.zeros(K), np.zeros(K * K), np.zeros(n * K)
    rows = np.flatnonzero(sign)
    where, b, i = design.places_of(rows)
    order = np.lexsort((i, b, where))
    for k, own in rows_of_each(where[order]):
        at = order[own]
        met = sign[rows[at]], reached[rows[at]], b[at], i[at]
        _add_late(design.batches[k], state.blocks[k], met, score, info, a)
    squares = from_the_end(from_the_end(info.reshape(K, K), 0), 1)
    shared = from_the_end(a.reshape(n, K)[:-1])
    return _Sums(from_the_end(score)[1:], squares[1:, 1:], shared[:, 1:])


def _add_late(
    batch: Batch,
    block: BlockState,
    met: tuple[Array, Index, Index, Index],
    score: Array,
    info: Array,
    a: Array,
) -> None:
    """Add a batch's part to flat sums; met: sign, number reached, block (ascending) and place."""
    s, k, b, i = met
    K = len(score)
    score += np.bincount(k, weights=s * block.alpha[b, i], minlength=K)
    one, other = _pairs_within(b)
    both = s[one] * s[other] * block.Vinv[b[one], i[one], i[other]]
    np.add.at(info, k[one] * K + k[other], both)
    shown = s[:, None] * block.VinvA[b, i]
    np.add.at(a, (batch.columns[b] * K + k[:, None]).ravel(), shown.ravel())


def _pairs_within(block: Index) -> tuple[Index, Index]:
    """Return all pairs of places that have the same block; blocks ascend."""
    _, first, size = np.unique(block, return_index=True, return_counts=True)
    of_each = np.repeat(size, size)
    one = np.repeat(np.arange(len(block)), of_each)
    within = np.arange(len(one)) - np.repeat(np.cumsum(of_each) - of_each, of_each)
    return one, np.repeat(np.repeat(first, size), of_each) + within


def _offset_scan(state: State, bench: int) -> Scan:
    """Scan for a mass set that is further off its statement than its uncertainty allows."""
    obs = state.design.obs
    first = np.array([obs.t[obs.bench == bench].min()])
    sums = _joined(state.each(_sums, 1, partial(_offset_direction, bench=bench)))
    return _judged(state, ("offset", BENCH, bench), first, first, sums)


def _offset_direction(design: Design, batch: Batch, *, bench: int) -> tuple[Mask, Array]:
    hit = (design.obs.bench[batch.rows] == bench) & (batch.mask > 0)
    touched = hit.any(axis=1)
    return touched, hit[touched][:, :, None].astype(np.float64)


def _bend_scan(state: State, group: int) -> Iterator[Scan]:
    """Scan for a change of a whole group's drift, by quarters."""
    obs, devices = state.design.obs, state.design.layout.devices
    mine = devices.group[obs.owner] == group
    if not mine.any():
        return
    t = obs.t[mine]
    at = np.arange(t.min() + _SETTLED, t.max() - _SETTLED, _QUARTER)
    if not len(at):
        return
    sums = _joined(state.each(_sums, len(at), partial(_bend_direction, group=group, at=at)))
    yield _judged(state, ("bend", GROUP, group), at, at, sums)


def _bend_direction(design: Design, batch: Batch, *, group: int, at: Array) -> tuple[Mask, Array]:
    other = design.obs.other[batch.rows]
    also = (other >= 0) & (design.layout.devices.group[other] == group)
    sign = ((batch.group == group)[:, None] * 1.0 - also) * batch.mask
    touched: Mask = (sign != 0).any(axis=1)
    ahead = np.maximum(design.obs.t[batch.rows][touched][:, :, None] - at, 0.0)
    return touched, sign[touched][:, :, None] * ahead


def _season_scans(state: State, group: int) -> Iterator[Scan]:
    """Yield the yearly swing of a group's sessions and of its rides, at its best phase each.

    With M the information of cos and sin, b their score: z² = b'M⁻¹b, χ² with two degrees of
    freedom where there is none.
    """
    layout, obs = state.design.layout, state.design.obs
    for kind, bench in SEASONS.items():
        waves = [
            season_direction(layout, obs, group, bench=bench, peak=peak) for peak in (0.0, 0.25)
        ]
        shown = obs.t[waves[0] != 0]
        if not len(shown) or np.ptp(shown) < _SEASON_NEEDS:
            continue
        M, b = effect_information(state, np.stack(waves, axis=1))
        cos, sin = np.linalg.solve(M + 1e-9 * np.eye(2), b)
        size, z = float(np.hypot(cos, sin)), float(np.sqrt(cos * b[0] + sin * b[1]))
        phase = float(np.arctan2(sin, cos)) / (2 * np.pi)
        peak = phase + np.floor(shown.max() - phase)
        one, none = (np.array([x]) for x in (peak, z)), np.zeros(0)
        at, zs = one
        yield Scan(kind, GROUP, group, at, at, zs, np.array([size]), np.array([size / z]), none)


def _sums(state: State, K: int, direction: Direction) -> _Sums:
    """Sum up K candidates of any form."""
    n = state.design.n_shared
    score, info, a = np.zeros(K), np.zeros((K, K)), np.zeros((n + 1, K))
    for batch, block in zip(state.design.batches, state.blocks, strict=True):
        touched, f = direction(state.design, batch)
        if not touched.any():
            continue
        f = f.astype(np.float64)
        Vf = block.Vinv[touched] @ f
        score += np.einsum("bnk,bn->k", f, block.alpha[touched])
        info += f.reshape(-1, K).T @ Vf.reshape(-1, K)
        a += batch.to_shared(batch.A[touched].transpose(0, 2, 1) @ Vf, n + 1, touched)
    return _Sums(score, info, a[:n])


def _judged(state: State, what: tuple[str, str, int], at: Array, since: Array, sums: _Sums) -> Scan:
    """Return the scan of a kind of effect, a kind of device, a device, from its sums."""
    half = state.precision.half(sums.a)
    own = np.maximum(np.diag(sums.info) - np.einsum("nk,nk->k", half, half), 1e-9)
    next_ = np.diag(sums.info, 1) - np.einsum("nk,nk->k", half[:, :-1], half[:, 1:])
    rho = next_ / np.sqrt(own[:-1] * own[1:])
    z, size, sd = sums.score / np.sqrt(own), sums.score / own, 1 / np.sqrt(own)
    return Scan(*what, at, since, z, size, sd, rho)
