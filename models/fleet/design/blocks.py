"""Gather the meters' own blocks of observations in batches of equal (padded) size.

A block holds one meter's observations in time order. Its covariance, everything in 100·ln:

    V_jk = Σ11 + Σ12 (a_j + a_k) + Σ22 a_j a_k            start and drift, a: age
         + min(c_j, c_k), c: variance accumulated by q·age, ωδ²·swaps, events, steps of alarms
         + ωη² where j and k share a pair effect
         + ωT² w_j w_k                               temperature, w: °C above 20
         + what a rider, a ring or a day shows on this meter's rides alone
         + crank, meter-constant and unknown-reset parts as stated
         + s² (u_j² + σ²) / weight_j on the diagonal; s: the meter's own noise over the usual

A promoted meter (one that serves as a reference) has its own course among the shared effects.
"""

from copy import copy
from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np
from scipy.sparse import csc_array, csr_array

from models.fleet.design.arrays import rows_of_each
from models.fleet.design.cumulative_events import CumulativeEvents
from models.fleet.design.layout import Layout, observed_entries
from models.fleet.design.observations import Observations
from models.fleet.design.parts import Parts, Workers
from models.fleet.design.programmed import Programmed
from models.fleet.design.ride_effects import KINDS_OF_RIDES, RIDER, stated_sds
from models.metrology import Array, Index, Mask

_WIDTHS = np.unique(np.round(np.geomspace(2, 4096, 34) / 2) * 2).astype(np.int64)
_MOST_ROWS = 100_000  # observations whose blocks are gathered at a time
_MOST_IN_BATCH, _MOST_PLACES = 100, 100 * 32**2  # whose arrays stay in the processor's cache


@dataclass
class Batch:
    """Blocks of B meters, padded to n observations and c local shared columns.

    rows       observation of each place (0 where padded), mask 1 where real
    age        that counts for drift (see ageing_shape), [B, n]
    fixed      covariance that needs no estimating; added: variance of what an alarm set aside
    noise2     stated variance of the noise, [B, n]; bench: 1 where a session
    scale2     the meter's own noise variance over the usual (see noise_scales), [B, n]
    columns    shared column of each local one; the dummy column is the number of shared effects
    A          design, [B, n, c]
    same_rider signs' products where two rides carry a rider's effect that is this block's own
    offset_c   °C above 20 where a temperature coefficient is fitted, else 0
    increments what walk, swaps, events by kind and alarms add from place to place, [7, B, n]
    bridge_…   variance over q that the knots of the references', owners' and other meters' walks
               leave open
    weight     of the noise variance, grown noise taken into account; noise_ratio: see Adjustments
    """

    meter: Index
    group: Index
    own: Array
    rows: Index
    mask: Array
    age: Array
    offset_c: Array
    increments: Array
    noise2: Array
    scale2: Array
    weight: Array
    bench: Array
    same_pair: Array
    same_rider: Array | None
    fixed: Array
    added: Array
    noise_ratio: Array
    bridge_reference: Array
    bridge_own: Array
    bridge_other: Array
    other_group: Index
    A: Array
    columns: Index
    y: Array

    def pairs(self, n_rows: int) -> Index:
        """Return where each pair of local columns is in a flat matrix over the shared effects."""
        where: Index = self.columns[:, :, None] * n_rows + self.columns[:, None, :]
        return where.ravel()

    def to_shared(self, local: Array, n_rows: int, touched: Mask | None = None) -> Array:
        """Sum local rows [B, c, k] into the shared effects' rows, [n_rows, k].

        touched: the blocks that `local` is of, if not all
        """
        columns = (self.columns if touched is None else self.columns[touched]).ravel()
        n = len(columns)
        sums = csc_array((np.ones(n), columns, np.arange(n + 1)), shape=(n_rows, n))
        return np.asarray(sums @ local.reshape(n, -1), dtype=np.float64)

    def adjusted(self, adjust: "Adjustments", alarm: CumulativeEvents, t: Array) -> "Batch":
        """Return it with new adjustments, and the steps that alarms have put in."""
        meter = np.broadcast_to(self.meter[:, None], self.rows.shape)
        steps = np.diff(alarm.total(meter, t[self.rows]), axis=1, prepend=0.0) * self.mask
        return replace(
            self,
            weight=adjust.weight[self.rows] / adjust.factor[self.rows] ** 2 * self.mask,
            noise_ratio=adjust.noise_ratio[self.rows],
            scale2=adjust.scale[self.rows] ** 2,
            added=adjust.added[self.rows] * self.mask,
            increments=np.concatenate([self.increments[:-1], steps[None]]),
        )


@dataclass
class Design:
    """Everything that estimation needs: shared effects, blocks, and where observations sit.

    Where workers keep the blocks, there are none here, and `parts` are theirs.
    """

    layout: Layout
    obs: Observations
    programmed: Programmed
    batches: list[Batch]
    place: Index
    """For each meter its (batch, position), or (−1, −1) without observations, [meters, 2]."""
    y: Array
    parts: Parts | None = None

    @property
    def n_shared(self) -> int:
        """Return the number of shared effects."""
        return self.layout.n

    def places_of(self, rows: Index) -> tuple[Index, Index, Index]:
        """Return the batch of observations, their block in it, and their place in the block."""
        owner = self.obs.owner[rows]
        return *self.place[owner].T, rows - np.searchsorted(self.obs.owner, owner)

    def adjusted(self, adjust: "Adjustments", alarm: CumulativeEvents) -> "Design":
        """Return it with what alarms and weights have changed; the shared effects are the same."""
        layout = copy(self.layout)
        layout.events = replace(layout.events, alarm=alarm)
        batches = [batch.adjusted(adjust, alarm, self.obs.t) for batch in self.batches]
        found = replace(self, layout=layout, batches=batches)
        if self.parts is not None:
            found.parts = self.parts.then(_adjusted, alarm, rows=(adjust,))
        return found

    def __sizeof__(self) -> int:
        """Return how many bytes its blocks take: who moves them looks at that first."""
        arrays = [x for b in self.batches for x in vars(b).values() if isinstance(x, np.ndarray)]
        return sum(x.nbytes for x in arrays)


@dataclass
class Adjustments:
    """What robust weighting and alarms do to the observations' noise, [observations] each.

    weight       of the noise precision, 0 … 1
    factor       of the noise sd (grown noise)
    added        variance that wrong entries add
    noise_ratio  variance of the noise with its wide part (see robust_weights) over the regular's
    scale        the meter's own noise sd over the usual (see noise_scales)
    """

    weight: Array
    factor: Array
    added: Array
    noise_ratio: Array
    scale: Array

    def __getitem__(self, rows: slice | Index) -> "Adjustments":
        """Return those of some observations."""
        return Adjustments(*(getattr(self, field.name)[rows] for field in fields(self)))


def sensor_values(obs: Observations, programmed: Programmed) -> Array:
    """Return the observed values with the programmed slopes taken out, 100·ln."""
    y = obs.value + programmed.mean(obs.owner, obs.t)
    inside = np.flatnonzero(obs.other >= 0)
    if len(inside):
        y[inside] -= programmed.mean(obs.other[inside], obs.t[inside])
    return y


def _adjusted(design: Design, alarm: CumulativeEvents, adjust: Adjustments) -> Design:
    return design.adjusted(adjust, alarm)


def design_in_parts(
    layout: Layout,
    obs: Observations,
    programmed: Programmed,
    adjust: Adjustments,
    parts: Parts,
    *,
    y: Array,
    only: Mask | None = None,
) -> Design:
    """Have the blocks gathered by the workers that keep their observations; see `parts_of`.

    only: of these meters, [meters]
    """
    designs = parts.then(_part_design, layout, programmed, only, rows=(adjust, y))
    nowhere = np.full((len(layout.devices.meters), 2), -1, dtype=np.int64)
    return Design(layout, obs, programmed, [], nowhere, y, designs)


def _part_design(
    obs: Observations,
    layout: Layout,
    programmed: Programmed,
    only: Mask | None,
    adjust: Adjustments,
    y: Array,
) -> Design:
    return build_design(layout, obs, programmed, adjust, y=y, only=only)


def parts_of(obs: Observations, workers: Workers) -> Parts:
    """Give each worker the observations of meters in a row, about as many as the others have."""
    rows = _meters_in_a_row(obs, workers.number)
    return Parts(workers, rows, [workers.keep(k, _same_as, obs[own]) for k, own in enumerate(rows)])


def _meters_in_a_row(obs: Observations, number: int) -> list[slice]:
    """Return the rows of meters in a row, in so many parts of about as many observations."""
    ends = np.arange(1, number) * len(obs) // max(number, 1)
    ends = np.searchsorted(obs.owner, obs.owner[ends]) if len(obs) else ends
    cuts = np.unique([0, *ends, len(obs)]).tolist()
    return [slice(a, b) for a, b in pairwise(cuts)] or [slice(0, 0)]


def _same_as(obs: Observations) -> Observations:
    return obs


def build_design(
    layout: Layout,
    obs: Observations,
    programmed: Programmed,
    adjust: Adjustments,
    *,
    y: Array,
    only: Mask | None = None,
) -> Design:
    """Gather all blocks; y [observations]: values with the programmed slopes taken out.

    Some meters at a time, since what blocks are cut from takes more memory than they do.
    only: the blocks and the observations of these meters, [meters]
    """
    if only is not None:
        own = np.flatnonzero(only[obs.owner])
        obs, adjust, y = obs.some(own), adjust[own], y[own]
    batches: list[Batch] = []
    place = np.full((len(layout.devices.meters), 2), -1, dtype=np.int64)
    for rows in _meters_in_a_row(obs, -(-len(obs) // _MOST_ROWS)):
        part = _build_some(layout, obs[rows], programmed, adjust[rows], y=y[rows])
        met = part.place[:, 0] >= 0
        place[met] = part.place[met] + [len(batches), 0]
        for batch in part.batches:
            batch.rows += rows.start
        batches += part.batches
    return Design(layout, obs, programmed, batches, place, y)


def _build_some(
    layout: Layout, obs: Observations, programmed: Programmed, adjust: Adjustments, *, y: Array
) -> Design:
    local = _LocalColumns(layout, obs)
    source = _Source(
        *(layout, obs, programmed, adjust, local, _bridge_variances(layout, obs)),
        *(programmed.uncertain(), y),
        {kind: obs.ride_effects.own_of(kind, len(obs)) for kind in KINDS_OF_RIDES},
    )
    counts = np.bincount(obs.owner, minlength=len(layout.devices.meters))
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    place = np.full((len(counts), 2), -1, dtype=np.int64)
    batches: list[Batch] = []
    for width, meters in _widths(counts, np.diff(local.first)):
        most = max(min(_MOST_IN_BATCH, _MOST_PLACES // width**2), 1)
        for k in range(0, len(meters), most):
            chosen = meters[k : k + most]
            place[chosen, 0] = len(batches)
            place[chosen, 1] = np.arange(len(chosen))
            batches.append(_batch(source, _Span(chosen, starts[chosen], counts[chosen], width)))
    return Design(layout, obs, programmed, batches, place, y)


def _widths(counts: Index, columns: Index) -> list[tuple[int, Index]]:
    """Return the padded sizes and the meters that get each, those of few columns first."""
    has = np.flatnonzero(counts > 0)
    top = int(counts.max(initial=1))
    ladder = _WIDTHS if top <= _WIDTHS[-1] else np.append(_WIDTHS, top)
    has = has[np.argsort(columns[has], kind="stable")]
    width = ladder[np.searchsorted(ladder, counts[has])]
    return [(int(w), has[width == w]) for w in np.unique(width)]


@dataclass
class _Span:
    """Where a batch's observations are in the flat order."""

    meter: Index
    start: Index
    count: Index
    width: int


class _LocalColumns:
    """Design entries by observation, the shared columns of each meter numbered from 0."""

    def __init__(self, layout: Layout, obs: Observations) -> None:
        rows, columns, self.values = observed_entries(layout, obs)
        order = np.argsort(rows, kind="stable")
        self.rows, columns, self.values = rows[order], columns[order], self.values[order]
        meter, n_meters = obs.owner[self.rows], len(layout.devices.meters)
        met = csr_array(
            (np.ones(len(meter), dtype=np.bool_), (meter, columns)), shape=(n_meters, layout.n)
        )
        met.sum_duplicates()
        self.first, self.shared = met.indptr.astype(np.int64), met.indices.astype(np.int64)
        self.local = _places(met, meter, columns)
        self.entry = np.searchsorted(self.rows, np.arange(len(obs) + 1))

    def dense(self, span: _Span, dummy: int) -> tuple[Array, Index]:
        """Return A [B, n, c] and the shared column of each local one, [B, c]."""
        first, last = self.first[span.meter], self.first[span.meter + 1]
        width = max(int((last - first).max(initial=0)), 1)
        place = first[:, None] + np.arange(width)
        columns = np.append(self.shared, dummy)[np.minimum(place, len(self.shared))]
        columns = np.where(place < last[:, None], columns, dummy)
        begin, end = self.entry[span.start], self.entry[span.start + span.count]
        block = np.repeat(np.arange(len(begin)), end - begin)
        e = np.concatenate([np.arange(a, b) for a, b in zip(begin, end, strict=True)])
        row = block * span.width + self.rows[e] - span.start[block]
        size = len(begin) * span.width * width
        sums = np.bincount(row * width + self.local[e], weights=self.values[e], minlength=size)
        A = sums.astype(np.float64, copy=False).reshape(len(begin), span.width, width)
        return A, columns


def _places(met: csr_array, meter: Index, columns: Index) -> Index:
    """Return where each column is among those that its meter meets; meters ascend."""
    place = np.zeros(len(columns), dtype=np.int64)
    known = np.zeros(met.shape[1], dtype=np.int64)
    starts = np.searchsorted(meter, np.arange(met.shape[0] + 1))
    for m in np.flatnonzero(np.diff(starts)):
        own = met.indices[met.indptr[m] : met.indptr[m + 1]]
        known[own] = np.arange(len(own))
        entries = slice(starts[m], starts[m + 1])
        place[entries] = known[columns[entries]]
    return place


@dataclass
class _Source:
    """What blocks are cut from; see `build_design`. uncertain: see `Programmed.uncertain`.

    own_effects: by kind; see `RideEffects.own_of`
    """

    layout: Layout
    obs: Observations
    programmed: Programmed
    adjust: Adjustments
    local: _LocalColumns
    bridges: Array
    uncertain: Mask
    y: Array
    own_effects: dict[str, tuple[Index, Array]]


def _batch(source: _Source, span: _Span) -> Batch:
    layout, obs, adjust = source.layout, source.obs, source.adjust
    place = np.arange(span.width)
    real: Mask = place[None, :] < span.count[:, None]
    rows = np.where(real, span.start[:, None] + place, 0)
    mask = real.astype(np.float64)
    A, columns = source.local.dense(span, layout.n)
    promoted = layout.devices.promoted[span.meter]
    t = obs.t[rows]
    meter = np.broadcast_to(span.meter[:, None], rows.shape)
    years = np.maximum(t - layout.devices.service[meter], 0.0) * mask
    totals = np.concatenate([years[None], layout.events.totals(meter, t)])
    bridge = source.bridges[:, rows] * mask
    return Batch(
        meter=span.meter,
        group=layout.devices.group[span.meter],
        own=(~promoted).astype(np.float64),
        rows=rows,
        mask=mask,
        age=layout.aged(meter, t) * mask,
        offset_c=layout.offset_c(meter, obs.temperature[rows]) * mask,
        increments=np.diff(totals, axis=2, prepend=0.0) * mask,
        noise2=obs.u2[rows] * mask,
        scale2=adjust.scale[rows] ** 2,
        weight=adjust.weight[rows] / adjust.factor[rows] ** 2 * mask,
        bench=obs.is_bench[rows] * mask,
        same_pair=_same(np.where(real, obs.pair[rows], -1)).astype(float),
        same_rider=_carried_together(source, RIDER, rows, mask),
        fixed=_stated_parts(source, span, rows, mask),
        added=adjust.added[rows] * mask,
        noise_ratio=adjust.noise_ratio[rows],
        bridge_reference=bridge[0],
        bridge_own=bridge[1],
        bridge_other=bridge[2],
        other_group=np.where(obs.other[rows] >= 0, layout.devices.group[obs.other[rows]], 0),
        A=A,
        columns=columns,
        y=source.y[rows] * mask,
    )


def _same(owner: Index) -> Mask:
    """Return which observations of a block have the same owner, [B, n, n]; below 0: none."""
    return np.asarray((owner[:, :, None] == owner[:, None, :]) & (owner >= 0)[:, :, None])


def _carried_together(source: _Source, kind: str, rows: Index, mask: Array) -> Array | None:
    """Return the product of the signs where two observations carry one own ride effect of a kind.

    [B, n, n]; None: no block does
    """
    codes, signs = source.own_effects[kind]
    code, sign = np.where(mask > 0, codes[rows], -1), signs[rows]
    if (code < 0).all():
        return None
    together: Array = _same(code) * (sign[:, :, None] * sign[:, None, :])
    return together


def _stated_parts(source: _Source, span: _Span, rows: Index, mask: Array) -> Array:
    """Return the covariance of cranks, meter constants and unknown reset instants, [B, n, n]."""
    obs, programmed, layout = source.obs, source.programmed, source.layout
    u_crank, u_meter = obs.u_crank[rows] * mask, obs.u_meter[rows] * mask
    C = _same(np.where(mask > 0, obs.crank[rows], -1)) * u_crank[:, :, None]
    C *= u_crank[:, None, :]
    C += u_meter[:, :, None] * u_meter[:, None, :]
    for kind, sd in stated_sds(layout.settings).items():
        together = _carried_together(source, kind, rows, mask)
        if together is not None:
            C += sd**2 * together
    for b in np.flatnonzero(source.uncertain[span.meter]):
        n = span.count[b]
        gap = programmed.covariance(int(span.meter[b]), obs.t[rows[b, :n]])
        if gap is not None:
            C[b, :n, :n] += gap
    inside = (obs.other[rows] >= 0) & (mask > 0)
    if inside.any():
        t = obs.t[rows[inside]]
        np.einsum("bii->bi", C)[inside] += programmed.variance(obs.other[rows[inside]], t)
    return C


def _bridge_variances(layout: Layout, obs: Observations) -> Array:
    """Return the variance over q that the walks' knots leave open, [3, observations].

    Of the reference, of the block's owner, of the other meter of a comparison.
    """
    found = np.zeros((3, len(obs)))
    for r, rows in rows_of_each(obs.ref):
        t = obs.t[rows]
        found[0, rows] = layout.walks[r].bridge_covariance(t, t)
    promoted = np.append(layout.devices.promoted, False)
    for which, code in ((1, obs.owner), (2, obs.other)):
        for m, rows in rows_of_each(np.where(promoted[code], code, -1)):
            t = obs.t[rows]
            found[which, rows] = layout.courses[m].walk.bridge_covariance(t, t)
    return found
