"""Estimate what ages in each meter: its drift, and its step at a battery swap, each by itself.

Where a group's ageing settles or speeds up, the drift is what a meter changes by in the year to
come. A quantity of all meters is linear in the shared effects and in the meters' own courses, which
are independent given those; so means over a group follow from the same parts.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.fleet.design import Batch
from models.fleet.inference import BlockState, Posterior
from models.metrology import Array, Index

_Kernel = Callable[[Batch, BlockState], Array]
"""Gives the covariance of the quantity with a batch's observations, [B, n]."""


@dataclass
class Quantity:
    """One quantity of each meter. M meters; 100·ln.

    mean   [M] posterior means; usual: [M] what is expected of a meter of the group like it
    own    [M] variance given the shared effects; before: the same without the meter's own data
    G, J   derivatives in the shared effects [M, shared] and in the active hyperparameters
    """

    mean: Array
    usual: Array
    own: Array
    before: Array
    G: Array
    J: Array

    def variance(self, posterior: Posterior) -> Array:
        """Return each meter's variance [M]."""
        total = self.own + np.einsum("mi,mi->m", self.G @ posterior.state.C, self.G)
        total += np.einsum("mi,mi->m", self.J @ posterior.hyper_covariance, self.J)
        return np.asarray(np.maximum(total, 0.0))

    def mean_over(self, chosen: Array, posterior: Posterior) -> tuple[float, float]:
        """Return mean and sd of the mean over some meters, chosen [M] 0 or 1."""
        w = chosen / chosen.sum()
        G, J = w @ self.G, w @ self.J
        variance = w**2 @ self.own + G @ posterior.state.C @ G
        variance += J @ posterior.hyper_covariance @ J
        return float(w @ self.mean), float(np.sqrt(max(variance, 0.0)))


def drift_frame(posterior: Posterior, t: float) -> pl.DataFrame:
    """Return the ageing rate of every meter: its group's mean plus its own part.

    t: years since 1970, from which the year to come begins
    Out  meter_id, drift_ln, drift_sd_ln (100·ln a year)
    """
    drift = drift_of_meters(posterior, t)
    return pl.DataFrame(
        {
            "meter_id": posterior.layout.devices.meters,
            "drift_ln": drift.mean,
            "drift_sd_ln": np.sqrt(drift.variance(posterior)),
        },
        schema={"meter_id": pl.String, "drift_ln": pl.Float64, "drift_sd_ln": pl.Float64},
    )


def drift_of_meters(posterior: Posterior, t: float) -> Quantity:
    """Return what every meter changes by in the year after t (years since 1970)."""
    devices, layout = posterior.layout.devices, posterior.layout
    every, p = np.arange(len(devices.meters)), layout.population
    now = np.maximum(t, devices.service)
    ahead = layout.aged(every, now + 1.0) - layout.aged(every, now)
    curve = layout.curve(every, now + 1.0) - layout.curve(every, now)
    G = _columns(posterior, (np.full(every.size, p.drift), p.drift_of[devices.group]))
    line = posterior.hyper.line_covariance()[devices.group, 1, 1]
    q = _observed(posterior, G, np.where(devices.promoted, 0.0, line), _drift_kernel)
    for m, course in layout.courses.items():
        q.G[m, course.line + 1] += 1.0
        q.mean[m] += posterior.state.mean[course.line + 1]
    for where in range(len(posterior.state.design.batches)):
        _add_hyper_derivatives(posterior, where, q.J)
    bent = np.zeros_like(G)
    for group, column in p.curves:
        bent[:, column] = np.where(devices.group == group, curve, 0.0)
    extra = bent @ posterior.state.mean
    return Quantity(
        mean=q.mean * ahead + extra,
        usual=q.usual * ahead + extra,
        own=q.own * ahead**2,
        before=line * ahead**2,
        G=q.G * ahead[:, None] + bent,
        J=q.J * ahead[:, None],
    )


def swap_of_meters(posterior: Posterior) -> Quantity:
    """Return the mean step of every meter at its battery swaps so far; without any: its group's."""
    devices, layout = posterior.layout.devices, posterior.layout
    p = layout.population
    n = np.bincount(layout.events.swap.device, minlength=len(devices.meters))
    G = _columns(posterior, (np.full(n.size, p.swap), p.swap_of[devices.group]))
    own = posterior.hyper.sd("swap")[devices.group] ** 2 / np.maximum(n, 1)

    def kernel(batch: Batch, block: BlockState) -> Array:
        so_far = np.cumsum(batch.increments[1], axis=1) * batch.mask
        share = block.scales.swap2 / np.maximum(n[batch.meter], 1)
        return np.asarray(share[:, None] * so_far)

    q = _observed(posterior, G, np.where(devices.promoted, 0.0, own), kernel)
    for m, course in layout.courses.items():
        for _, column in course.swaps:
            q.G[m, column] += 1.0 / n[m]
            q.mean[m] += posterior.state.mean[column] / n[m]
    return q


def _columns(posterior: Posterior, columns: tuple[Index, ...]) -> Array:
    """Return 1 where a meter meets a shared effect, [M, shared]; columns below 0: none."""
    n = len(posterior.layout.devices.meters)
    G, every = np.zeros((n, posterior.state.design.n_shared)), np.arange(n)
    for each in columns:
        real = each >= 0
        G[every[real], each[real]] = 1.0
    return G


def _observed(posterior: Posterior, G: Array, before: Array, kernel: _Kernel) -> Quantity:
    """Return a quantity as the meters' own observations tell it."""
    usual, J = G @ posterior.state.mean, G @ posterior.curve.mean
    observed, explained, through_shared = posterior.block_products(kernel)
    for batch, block, responses in zip(
        posterior.state.design.batches,
        posterior.state.blocks,
        posterior.curve.responses,
        strict=True,
    ):
        J[batch.meter] += np.einsum("bn,bnk->bk", kernel(batch, block), responses)
    return Quantity(usual + observed, usual, before - explained, before, G - through_shared, J)


def _drift_kernel(batch: Batch, block: BlockState) -> Array:
    line = block.scales.line
    return np.asarray(line[:, 0, 1, None] * batch.mask + line[:, 1, 1, None] * batch.age)


def _add_hyper_derivatives(posterior: Posterior, where: int, J: Array) -> None:
    """Add the derivatives of k'α in the line's hyperparameters, α held."""
    batch, block = posterior.state.design.batches[where], posterior.state.blocks[where]
    sum1 = np.einsum("bn,bn->b", batch.mask, block.alpha) * batch.own
    sum_a = np.einsum("bn,bn->b", batch.age, block.alpha) * batch.own
    l11, l21, l22 = block.scales.factor
    turned = l11 * sum1 + 2 * l21 * sum_a
    parts = {
        "start": l11 * l21 * sum1,
        "tie": l22 * turned,
        "drift": l21 * turned + 2 * l22**2 * sum_a,
    }
    for k, i in enumerate(posterior.active):
        kind, group = posterior.hyper.keys[i]
        if kind in parts:
            J[batch.meter, k] += parts[kind] * (batch.group == group)
