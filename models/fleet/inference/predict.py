"""Predict gain errors at any instant: means, standard deviations and joint covariances.

For a meter at instant t, with k the covariance of its sensor with its block's observations and
F its row in the shared effects:

    mean        F u + k'α − p(t)
    covariance  k_tt' − k'V⁻¹k' + G C G' + p's + 2 J H⁻¹ J',    G = F − k'V⁻¹A

The last term is what not knowing the hyperparameters adds (J: derivative of the mean, H:
information): once because the mean depends on them (Kass & Steffey 1989), once because variances
at estimated hyperparameters are too small by about as much (Prasad & Rao 1990).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from models.fleet.design import BENCH, EVENT_KINDS, METER, REFERENCE, Batch, Entries, rows_of_each
from models.fleet.inference.battery_swaps import SwapOutlook
from models.fleet.inference.derivatives import Curvature, with_open
from models.fleet.inference.likelihood import BlockState, State
from models.metrology import Z90, Array, Index

HYPER_PARTS = 2.0


@dataclass(frozen=True)
class LeftOpen:
    """A change of a mass set that the model leaves out, since nothing but the set shows it.

    bench: the set; at: its instant, years; shown: what a unit adds to the observations; variance:
    of its size as far as it may be true.
    """

    bench: int
    at: float
    shown: Array
    variance: float


@dataclass
class Targets:
    """Devices and instants to predict: kind codes, device index, years since 1970."""

    kind: list[str]
    device: Index
    t: Array

    def rows(self, kind: str) -> Index:
        """Return the rows of one kind of device."""
        return np.flatnonzero(np.array([k == kind for k in self.kind], dtype=np.bool_))


@dataclass
class Prediction:
    """Means of T targets, and the pieces that their covariance is made of.

    columns  shared columns that any target meets; G: the targets' rows in them, [T, columns]
    J        derivative of the mean in the active hyperparameters and in what is left open,
             [T, active + open]
    own      covariance of the rest: blocks (rows, matrix), zero between blocks
    """

    columns: Index
    mean: Array
    G: Array
    J: Array
    own: list[tuple[Index, Array]]


class Posterior:
    """The fleet's posterior, ready to predict from.

    unsure: what the hyperparameters' uncertainty counts for, and the variances of what is left
    open, [active + open, active + open]; hyper_covariance: its first part, [active, active]
    """

    def __init__(
        self,
        state: State,
        curve: Curvature,
        outlook: SwapOutlook,
        left_open: Sequence[LeftOpen] = (),
    ) -> None:
        if left_open:
            curve = with_open(curve, state, np.stack([x.shown for x in left_open], axis=1))
        self.state, self.curve, self.outlook = state, curve, outlook
        self.left_open = left_open
        self.layout = state.design.layout
        self.hyper = state.hyper
        self.active = np.flatnonzero(self.hyper.active)
        covariance = self.hyper.covariance
        n = len(self.active)
        self.unsure = np.diag([0.0] * n + [x.variance for x in left_open])
        self.hyper_covariance = self.unsure[:n, :n]
        if covariance is not None:
            self.hyper_covariance[:] = HYPER_PARTS * covariance

    # --- the three questions --------------------------------------------------------------------

    def covariance(self, targets: Targets) -> tuple[Array, Array]:
        """Return mean [T] and covariance matrix [T, T] of all targets."""
        p = self.predict(targets)
        cov: Array = p.G @ self._shared_covariance(p) @ p.G.T
        for rows, block in p.own:
            cov[np.ix_(rows, rows)] += block
        J = self.with_left_open(p.J, np.diag(cov))
        cov += J @ self.unsure @ J.T
        return p.mean, cov

    def variance(self, targets: Targets) -> tuple[Array, Array]:
        """Return means and variances of all targets, [T] each."""
        p = self.predict(targets)
        v = np.einsum("ti,ti->t", p.G @ self._shared_covariance(p), p.G)
        for rows, block in p.own:
            v[rows] += np.diag(block)
        J = self.with_left_open(p.J, v)
        v += np.einsum("ti,ti->t", J @ self.unsure, J)
        return p.mean, v

    def with_left_open(self, J: Array, variance: Array) -> Array:
        """Return J [..., active + open] so that 90 % intervals hold what is left open, and no more.

        variance: without J's part, [...]. What is left open is a size, not a spread: it is enough
        that the interval reaches as far as the one about the mean with it would, size + 1.645 sd.
        """
        if not self.left_open:
            return J
        n = len(self.active)
        hyper = np.einsum("...i,...i->...", J[..., :n] @ self.hyper_covariance, J[..., :n])
        sd = np.sqrt(np.maximum(variance + hyper, 1e-12))
        size = np.abs(J[..., n:]) * np.sqrt(np.diag(self.unsure)[n:]) / sd[..., None]
        share = np.minimum(1.0, 1 / Z90**2 + 2 / (Z90 * np.maximum(size, 1e-12)))
        return np.concatenate([J[..., :n], J[..., n:] * np.sqrt(share)], axis=-1)

    def predict(self, targets: Targets) -> Prediction:
        """Return means, and the pieces of the covariance."""
        n, n_unsure = len(targets.t), len(self.unsure)
        rows, columns, values = self._shared_rows(targets).joined()
        touched = np.unique(np.concatenate([columns, *self._block_columns(targets)]))
        out = Prediction(
            touched, np.zeros(n), np.zeros((n, touched.size)), np.zeros((n, n_unsure)), []
        )
        np.add.at(out.G, (rows, np.searchsorted(touched, columns)), values)
        out.mean += out.G @ self.state.mean[touched]
        out.J += out.G @ self.curve.mean[touched]
        self._left_open(targets, out)
        self._references(targets, out)
        self._meters(targets, out)
        return out

    def block_products(
        self, kernel: Callable[[Batch, BlockState], Array]
    ) -> tuple[Array, Array, Array]:
        """Return k'α [meters], k'V⁻¹k [meters] and k'V⁻¹A [meters, n_shared].

        kernel: gives a batch's k, the covariance of one quantity a meter with its observations,
        [B, n]
        """
        n, n_shared = len(self.layout.devices.meters), self.state.design.n_shared
        mean, explained, G = np.zeros(n), np.zeros(n), np.zeros((n, n_shared))
        for batch, block in zip(self.state.design.batches, self.state.blocks, strict=True):
            k, at = kernel(batch, block), batch.meter
            mean[at] = np.einsum("bn,bn->b", k, block.alpha)
            explained[at] = np.einsum("bn,bnm,bm->b", k, block.Vinv, k, optimize=True)
            kVA = np.einsum("bn,bnc->bc", k, block.VinvA) * (batch.columns < n_shared)
            np.add.at(G, (at[:, None], np.minimum(batch.columns, n_shared - 1)), kVA)
        return mean, explained, G

    # --- parts --------------------------------------------------------------------------------

    def _shared_covariance(self, p: Prediction) -> Array:
        """Return the covariance of the columns met: one meter meets few of the shared effects."""
        if p.columns.size == self.state.design.n_shared:
            return self.state.C
        return self.state.C[np.ix_(p.columns, p.columns)]

    def _block_columns(self, targets: Targets) -> list[Index]:
        """Return the shared columns in the blocks of the targets' meters."""
        found = []
        for m in np.unique(targets.device[targets.rows(METER)]):
            where, b = self.state.design.place[m]
            if where >= 0 and m not in self.layout.courses:
                columns = self.state.design.batches[where].columns[b]
                found.append(columns[columns < self.state.design.n_shared])
        return found

    def _shared_rows(self, targets: Targets) -> Entries:
        entries = Entries()
        rows = targets.rows(METER)
        device, t = targets.device[rows], targets.t[rows]
        swaps = self.layout.events.swap.total(device, t) + self.outlook.expected(device, t)[0]
        self.layout.add_meters(entries, rows, device, t, swaps=swaps)
        rows = targets.rows(REFERENCE)
        self.layout.add_references(entries, rows, targets.device[rows], targets.t[rows])
        rows = targets.rows(BENCH)
        self.layout.add_benches(entries, rows, targets.device[rows], targets.t[rows])
        return entries

    def _left_open(self, targets: Targets, out: Prediction) -> None:
        """Add to a mass set's own value what the model leaves out of it."""
        rows = targets.rows(BENCH)
        for k, x in enumerate(self.left_open, len(self.active)):
            out.J[rows, k] += (targets.device[rows] == x.bench) & (targets.t[rows] >= x.at)

    def _references(self, targets: Targets, out: Prediction) -> None:
        rows = targets.rows(REFERENCE)
        q = self.hyper.fleet_sd("reference_walk") ** 2
        for r, k in rows_of_each(targets.device[rows]):
            t = targets.t[rows[k]]
            walk = self.layout.walks[r]
            out.own.append((rows[k], q * walk.bridge_covariance(t[:, None], t[None, :])))

    def _meters(self, targets: Targets, out: Prediction) -> None:
        rows = targets.rows(METER)
        programmed = self.state.design.programmed
        for m, k in rows_of_each(targets.device[rows]):
            at, t = rows[k], targets.t[rows[k]]
            out.mean[at] -= programmed.mean(np.full(len(t), m), t)
            own = self._promoted(m, t) if m in self.layout.courses else self._own(m, at, t, out)
            gap = programmed.covariance(m, t)
            out.own.append((at, own if gap is None else own + gap))

    def _promoted(self, m: int, t: Array) -> Array:
        """Return what a promoted meter's knots leave open, and battery swaps to come, [t, t]."""
        g = int(self.layout.devices.group[m])
        q = self.hyper.sd("walk")[g] ** 2
        own: Array = q * self.layout.courses[m].walk.bridge_covariance(t[:, None], t[None, :])
        ahead = self.swap_variance(np.full(len(t), m), t)
        return own + np.minimum.outer(ahead, ahead)

    def swap_variance(self, meter: Index, t: Array) -> Array:
        """Return the variance of swaps to come: their spread, and not knowing their number."""
        count, spread = self.outlook.expected(meter, t)
        p, u = self.layout.population, self.state.mean
        if p.swap < 0:
            return np.zeros(len(t))
        g = self.layout.devices.group[meter]
        usual = u[p.swap] + np.where(p.swap_of[g] >= 0, u[p.swap_of[g]], 0.0)
        variance: Array = self.hyper.sd("swap")[g] ** 2 * count + usual**2 * spread
        return variance

    def with_observations(self, meter: int, t: Array) -> Array:
        """Return the covariance of a meter's own course with its block's observations, [t, n]."""
        where, b = self.state.design.place[meter]
        return _NewInstants(self, meter, t).with_block(self.state.design.batches[where], int(b))

    def _own(self, m: int, at: Index, t: Array, out: Prediction) -> Array:
        """Return a meter's own covariance given the shared effects; adds to mean, G and J."""
        new = _NewInstants(self, m, t)
        where, b = self.state.design.place[m]
        if where < 0:
            return new.prior()
        batch, block = self.state.design.batches[where], self.state.blocks[where]
        k = new.with_block(batch, int(b))
        kV = k @ block.Vinv[b]
        out.mean[at] += k @ block.alpha[b]
        kVA = k @ block.VinvA[b]
        real = batch.columns[b] < self.state.design.n_shared
        columns = np.searchsorted(out.columns, batch.columns[b][real])
        np.subtract.at(out.G, (at[:, None], columns[None, :]), kVA[:, real])
        out.J[at] += k @ self.curve.responses[where][b]
        out.J[at, : len(self.active)] += new.kernel_derivatives(self.active, batch, block, int(b))
        own: Array = new.prior() - kV @ k.T
        return own


class _NewInstants:
    """A meter's sensor at T new instants: its covariance with itself and with its observations."""

    def __init__(self, posterior: Posterior, meter: int, t: Array) -> None:
        layout, hyper = posterior.layout, posterior.hyper
        self.hyper = hyper
        self.group = g = int(layout.devices.group[meter])
        m = np.full(len(t), meter)
        self.age = layout.aged(m, t)
        self.line = hyper.line_covariance()[g]
        years = np.maximum(t - layout.devices.service[meter], 0.0)
        self.totals = np.concatenate([years[None], layout.events.totals(m, t)])
        walk, swap = hyper.sd("walk")[g] ** 2, hyper.sd("swap")[g] ** 2
        self.scale = np.array([walk, swap, *hyper.event_variances(), 1.0])
        self.swap_variance = posterior.swap_variance(m, t)

    def prior(self) -> Array:
        """Return the prior covariance between the new instants, [T, T]."""
        z = np.stack([np.ones(len(self.age)), self.age], axis=1)
        c = self.scale @ self.totals + self.swap_variance
        cov: Array = z @ self.line @ z.T + np.minimum.outer(c, c)
        return cov

    def with_block(self, batch: Batch, b: int) -> Array:
        """Return the covariance with the block's observations, [T, n]."""
        z = np.stack([np.ones(len(self.age)), self.age], axis=1)
        Z = np.stack([batch.mask[b], batch.age[b]], axis=1)
        seen = np.cumsum(self.scale @ batch.increments[:, b])
        now = self.scale @ self.totals
        k: Array = z @ self.line @ Z.T + np.minimum(now[:, None], seen[None, :]) * batch.mask[b]
        return k

    def kernel_derivatives(self, active: Index, batch: Batch, block: BlockState, b: int) -> Array:
        """Return the derivative of k'α in each active hyperparameter, α held, [T, active]."""
        alpha, J = block.alpha[b], np.zeros((len(self.age), len(active)))
        seen = np.cumsum(batch.increments[:-1, b], axis=1)
        met = np.minimum(self.totals[:-1, :, None], seen[:, None, :]) @ (alpha * batch.mask[b])
        parts = kernel_derivatives_by_kind(
            [x[self.group] for x in self.hyper.line_factor()],
            (batch.mask[b] @ alpha, batch.age[b] @ alpha),
            self.age,
            self.scale[:-1, None] * met,
        )
        for k, i in enumerate(active):
            kind, group = self.hyper.keys[i]
            if kind in parts and group in (-1, self.group):
                J[:, k] = parts[kind]
        return J


def kernel_derivatives_by_kind(
    factor: Sequence[Array], sums: tuple[Array, Array], age: Array, moved: Sequence[Array]
) -> dict[str, Array]:
    """Return the derivative of k'α in each kind of hyperparameter, α held; shapes broadcast.

    factor: l11, l21, l22 of start and drift; sums: of α and of age · α; age: of the targets;
    moved: variance · min(c, c')'α of walk, swaps and events by kind
    """
    (l11, l21, l22), (sum1, sum_a) = factor, sums
    turned = l11 * sum1 + 2 * l21 * sum_a
    return {
        "start": 2 * l11**2 * sum1 + l11 * l21 * (sum_a + age * sum1),
        "tie": l22 * (l11 * sum_a + age * turned),
        "drift": l21 * l11 * sum_a + age * (l21 * turned + 2 * l22**2 * sum_a),
        **{kind: 2 * x for kind, x in zip(("walk", "swap", *EVENT_KINDS), moved, strict=True)},
    }
