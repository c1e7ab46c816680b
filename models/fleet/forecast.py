"""Forecast all meters at once, over many horizons."""

import numpy as np

from models.fleet.design import METER, Batch
from models.fleet.inference import (
    BlockState,
    Posterior,
    Targets,
    kernel_derivatives_by_kind,
)
from models.metrology import Array, Index


def forecast_all(posterior: Posterior, t: Array) -> tuple[Array, Array]:
    """Return means and variances of all meters' gain errors at instants t, [meters, t] each."""
    n_meters = len(posterior.layout.devices.meters)
    mean, variance = np.zeros((n_meters, len(t))), np.zeros((n_meters, len(t)))
    place = posterior.state.design.place
    promoted = posterior.layout.devices.promoted
    alone = np.flatnonzero((place[:, 0] < 0) | promoted)
    for m in alone:
        targets = Targets([METER] * len(t), np.full(len(t), m), t)
        mean[m], variance[m] = posterior.variance(targets)
    for batch, block, responses in zip(
        posterior.state.design.batches,
        posterior.state.blocks,
        posterior.curve.responses,
        strict=True,
    ):
        own = batch.own > 0
        if own.any():
            part = _Part(posterior, batch, block, t)
            found, spread = part.moments(responses)
            mean[batch.meter[own]] = found[own]
            variance[batch.meter[own]] = spread[own]
    return mean, variance


class _Part:
    """One batch's meters at all horizons, B × H."""

    def __init__(self, posterior: Posterior, batch: Batch, block: BlockState, t: Array) -> None:
        self.posterior, self.batch, self.block = posterior, batch, block
        layout = posterior.layout
        B, H = len(batch.meter), len(t)
        self.shape = (B, H)
        self.meter: Index = np.repeat(batch.meter, H)
        self.t = np.tile(t, B)
        self.age = self._square(layout.aged(self.meter, self.t))
        years = self._square(np.maximum(self.t - layout.devices.service[self.meter], 0.0))
        events = layout.events
        counted = events.totals(self.meter, self.t)
        self.totals = np.stack([years, *map(self._square, counted)])
        self.swaps = self._square(counted[0] + posterior.outlook.expected(self.meter, self.t)[0])
        self.swap_variance = self._square(posterior.swap_variance(self.meter, self.t))

    def _square(self, x: Array) -> Array:
        return x.reshape(self.shape)

    def moments(self, responses: Array) -> tuple[Array, Array]:
        """Return means and variances, [B, H] each."""
        batch, block, state = self.batch, self.block, self.posterior.state
        k = self._cross()
        columns, F = self._population()
        mean = k @ block.alpha[..., None]
        mean = mean[..., 0] + np.einsum("bhp,bp->bh", F, state.mean[columns])
        kV = k @ block.Vinv
        variance = self._prior() - np.einsum("bhn,bhn->bh", kV, k)
        G = np.concatenate([-(k @ block.VinvA), F], axis=2)
        every = np.concatenate([batch.columns, columns], axis=1)
        every = np.minimum(every, state.design.n_shared - 1)
        local = state.C[every[:, :, None], every[:, None, :]]
        variance += np.einsum("bhi,bhi->bh", G @ local, G)
        slopes = state.design.programmed
        mean -= self._square(slopes.mean(self.meter, self.t))
        variance += self._square(slopes.variance(self.meter, self.t))
        J = F @ self.posterior.curve.mean[columns] + k @ responses + self._kernel_derivatives()
        J = self.posterior.with_left_open(J, variance)
        variance += np.einsum("bhi,bhi->bh", J @ self.posterior.unsure, J)
        return mean, variance

    def _scale(self) -> Array:
        return self.block.scales.unit_variances()

    def _cross(self) -> Array:
        """Return the sensors' covariance with their blocks' observations, [B, H, n]."""
        batch, line = self.batch, self.block.scales.line
        seen = np.cumsum(np.einsum("kb,kbn->bn", self._scale(), batch.increments), axis=1)
        now = np.einsum("kb,kbh->bh", self._scale(), self.totals)
        k: Array = np.minimum(now[:, :, None], seen[:, None, :])
        k += line[:, 0, 0, None, None] + line[:, 0, 1, None, None] * (
            self.age[:, :, None] + batch.age[:, None, :]
        )
        k += line[:, 1, 1, None, None] * self.age[:, :, None] * batch.age[:, None, :]
        return k * batch.mask[:, None, :]

    def _prior(self) -> Array:
        line, a = self.block.scales.line, self.age
        now = np.einsum("kb,kbh->bh", self._scale(), self.totals) + self.swap_variance
        total: Array = now + line[:, 0, 0, None] + 2 * line[:, 0, 1, None] * a
        return total + line[:, 1, 1, None] * a**2

    def _population(self) -> tuple[Index, Array]:
        """Return the columns of the group means [B, p] and the design in them [B, H, p]."""
        p, g = self.posterior.layout.population, self.batch.group
        B, H = self.shape
        parts: list[tuple[Index, Array]] = [
            (p.start[g], np.ones((B, H))),
            (np.full(B, p.drift), self.age),
            (p.drift_of[g], self.age),
            (np.full(B, p.swap), self.swaps),
            (p.swap_of[g], self.swaps),
        ]
        for group, at, column in p.bends:
            bent = np.maximum(self._square(self.t) - at, 0.0) * (g == group)[:, None]
            parts.append((np.full(B, column), bent))
        for group, column in p.curves:
            curve = self._square(self.posterior.layout.curve(self.meter, self.t))
            parts.append((np.full(B, column), curve * (g == group)[:, None]))
        columns = np.stack([c for c, _ in parts], axis=1)
        F = np.stack([x for _, x in parts], axis=2) * (columns >= 0)[:, None, :]
        return np.maximum(columns, 0), F

    def _kernel_derivatives(self) -> Array:
        """Return the derivative of k'α in the active hyperparameters, α held, [B, H, active]."""
        batch, alpha, s = self.batch, self.block.alpha, self.block.scales
        sums = tuple(np.einsum("bn,bn->b", x, alpha)[:, None] for x in (batch.mask, batch.age))
        seen, weighted = np.cumsum(batch.increments[:-1], axis=2), alpha * batch.mask
        met = [
            variance[:, None]
            * np.einsum("bhn,bn->bh", np.minimum(n[:, :, None], c[:, None, :]), weighted)
            for variance, n, c in zip(s.unit_variances()[:-1], self.totals[:-1], seen, strict=True)
        ]
        factor = [x[:, None] for x in s.factor]
        parts = kernel_derivatives_by_kind(factor, (sums[0], sums[1]), self.age, met)
        J = np.zeros((*self.shape, len(self.posterior.unsure)))
        for i, key in enumerate(self.posterior.active):
            kind, group = self.posterior.hyper.keys[key]
            if kind in parts:
                J[..., i] = parts[kind] * ((batch.group == group) | (group < 0))[:, None]
        return J
