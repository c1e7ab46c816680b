"""Estimate each meter's own drift: how fast its sensor ages, battery steps and resets apart."""

import numpy as np
import polars as pl

from models.fleet.inference import Posterior
from models.metrology import Array


def drift_frame(posterior: Posterior) -> pl.DataFrame:
    """Return the ageing rate of every meter: its group's mean plus its own part.

    Out  meter_id, drift_ln, drift_sd_ln (100·ln a year)
    """
    devices, layout = posterior.layout.devices, posterior.layout
    n, n_shared = len(devices.meters), posterior.state.design.n_shared
    p = layout.population
    G, J = np.zeros((n, n_shared)), np.zeros((n, len(posterior.active)))
    every = np.arange(n)
    for columns in (np.full(n, p.drift), p.drift_of[devices.group]):
        real = columns >= 0
        G[every[real], columns[real]] = 1.0
    for m, course in layout.courses.items():
        G[m, course.line + 1] = 1.0
    mean = G @ posterior.state.mean
    if posterior.curve is not None:
        J += G @ posterior.curve.mean
    own = np.where(devices.promoted, 0.0, posterior.hyper.line_covariance()[devices.group, 1, 1])
    _add_own(posterior, mean=mean, own=own, G=G, J=J)
    variance = own + np.einsum("mi,mi->m", G @ posterior.state.C, G)
    variance += np.einsum("mi,mi->m", J @ posterior.hyper_covariance, J)
    return pl.DataFrame(
        {
            "meter_id": devices.meters,
            "drift_ln": mean,
            "drift_sd_ln": np.sqrt(np.maximum(variance, 0.0)),
        },
        schema={"meter_id": pl.String, "drift_ln": pl.Float64, "drift_sd_ln": pl.Float64},
    )


def _add_own(posterior: Posterior, *, mean: Array, own: Array, G: Array, J: Array) -> None:
    """Add what each meter's block does: k'α, −k'V⁻¹k, −k'V⁻¹A, and derivatives of k'α."""
    design = posterior.state.design
    for w, (batch, block) in enumerate(zip(design.batches, posterior.state.blocks, strict=True)):
        line, at = block.scales.line, batch.meter
        k = line[:, 0, 1, None] * batch.mask + line[:, 1, 1, None] * batch.age
        mean[at] += np.einsum("bn,bn->b", k, block.alpha)
        own[at] -= np.einsum("bn,bnm,bm->b", k, block.Vinv, k, optimize=True)
        kVA = np.einsum("bn,bnc->bc", k, block.VinvA)
        columns = np.minimum(batch.columns, design.n_shared - 1)
        real = batch.columns < design.n_shared
        np.subtract.at(G, (at[:, None], columns), np.where(real, kVA, 0.0))
        if posterior.curve is not None:
            J[at] += np.einsum("bn,bnk->bk", k, posterior.curve.responses[w])
            _add_kernel_derivatives(posterior, w, J)


def _add_kernel_derivatives(posterior: Posterior, w: int, J: Array) -> None:
    """Add the derivatives of k'α in the line's hyperparameters, α held."""
    batch, block = posterior.state.design.batches[w], posterior.state.blocks[w]
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
