"""Estimate each meter's own drift: how fast its sensor ages, battery steps and resets apart.

Where a group's ageing settles or speeds up, the drift is what a meter changes by in the year to
come.
"""

import numpy as np
import polars as pl

from models.fleet.design import Batch
from models.fleet.inference import BlockState, Posterior
from models.metrology import Array


def drift_frame(posterior: Posterior, t: float) -> pl.DataFrame:
    """Return the ageing rate of every meter: its group's mean plus its own part.

    t: years since 1970, from which the year to come begins

    Out  meter_id, drift_ln, drift_sd_ln (100·ln a year)
    """
    devices, layout = posterior.layout.devices, posterior.layout
    n, n_shared = len(devices.meters), posterior.state.design.n_shared
    p = layout.population
    G = np.zeros((n, n_shared))
    every = np.arange(n)
    now = np.maximum(t, devices.service)
    ahead = layout.aged(every, now + 1.0) - layout.aged(every, now)
    curve = layout.curve(every, now + 1.0) - layout.curve(every, now)
    for columns in (np.full(n, p.drift), p.drift_of[devices.group]):
        real = columns >= 0
        G[every[real], columns[real]] = 1.0
    for m, course in layout.courses.items():
        G[m, course.line + 1] = 1.0
    mean, J = G @ posterior.state.mean, G @ posterior.curve.mean
    own = np.where(devices.promoted, 0.0, posterior.hyper.line_covariance()[devices.group, 1, 1])
    observed, explained, through_shared = posterior.block_products(_drift_kernel)
    mean, own, G = mean + observed, own - explained, G - through_shared
    for where in range(len(posterior.state.design.batches)):
        _add_hyper_derivatives(posterior, where, J)
    mean, own, G, J = mean * ahead, own * ahead**2, G * ahead[:, None], J * ahead[:, None]
    for group, column in p.curves:
        bent = np.where(devices.group == group, curve, 0.0)
        mean += bent * posterior.state.mean[column]
        G[:, column] += bent
    variance = own + np.einsum("mi,mi->m", G @ posterior.state.C, G)
    variance += np.einsum("mi,mi->m", J @ posterior.unsure, J)
    return pl.DataFrame(
        {
            "meter_id": devices.meters,
            "drift_ln": mean,
            "drift_sd_ln": np.sqrt(np.maximum(variance, 0.0)),
        },
        schema={"meter_id": pl.String, "drift_ln": pl.Float64, "drift_sd_ln": pl.Float64},
    )


def _drift_kernel(batch: Batch, block: BlockState) -> Array:
    line = block.scales.line
    return np.asarray(line[:, 0, 1, None] * batch.mask + line[:, 1, 1, None] * batch.age)


def _add_hyper_derivatives(posterior: Posterior, where: int, J: Array) -> None:
    """Add the derivatives of k'α in the hyperparameters: of α, then of k, the line's."""
    batch, block = posterior.state.design.batches[where], posterior.state.blocks[where]
    responses = posterior.curve.responses[where]
    J[batch.meter] += np.einsum("bn,bnk->bk", _drift_kernel(batch, block), responses)
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
