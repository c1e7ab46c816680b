"""Robust weights: noise as a mixture of usual, rough and wild.

Each observation is judged by what everything else expected of it (leave-one-out). Its noise is
taken as N(0, s²·v) with s = 1, 2.5 or 10 in unknown proportions, fitted to the fleet (EM, with a
weak prior); the weight of its noise precision is the posterior mean of 1/s². Clean normal noise
keeps weights of practically one; one wild comparison in thirty costs next to nothing.
"""

from dataclasses import dataclass

import numpy as np

from models.fleet.arrays import Array, Flags
from models.fleet.innovations import noise_variance
from models.fleet.likelihood import State

SCALES = np.array([1.0, 2.5, 10.0])
_PRIOR = np.array([60.0, 1.2, 0.6])  # pseudo-observations of each kind
_ROUNDS = 25


@dataclass
class LeftOut:
    """Each observation against the rest: residual, its variance without the own noise, noise."""

    residual: Array
    others: Array
    noise: Array

    def standardized(self) -> Array:
        """Residual over its sd, the noise at full weight."""
        z: Array = self.residual / np.sqrt(self.others + self.noise)
        return z


def left_out(state: State) -> LeftOut:
    """Leave-one-out residuals of all observations: α_j / P_jj, with variance 1 / P_jj."""
    n = len(state.design.obs)
    residual, others, noise = np.zeros(n), np.zeros(n), np.ones(n)
    for batch, block in zip(state.design.batches, state.blocks, strict=True):
        real = batch.mask > 0
        rows = batch.rows[real]
        P = np.einsum("bii->bi", block.P)[real]
        full = noise_variance(batch, block)[real]
        residual[rows] = block.alpha[real] / P
        others[rows] = np.maximum(1 / P - full / batch.weight[real], 0.0)
        noise[rows] = full
    return LeftOut(residual, others, noise)


def mixture_weights(out: LeftOut, is_bench: Flags) -> Array:
    """Weight of every observation's noise precision, sessions and comparisons apart."""
    weight = np.ones(len(out.residual))
    for chosen in (is_bench, ~is_bench):
        if chosen.any():
            weight[chosen] = _mixture(
                LeftOut(out.residual[chosen], out.others[chosen], out.noise[chosen])
            )
    return weight


def _mixture(out: LeftOut) -> Array:
    variance = out.others[:, None] + out.noise[:, None] * SCALES**2
    log_density = -0.5 * (np.log(variance) + out.residual[:, None] ** 2 / variance)
    share = _PRIOR / _PRIOR.sum()
    for _ in range(_ROUNDS):
        log_p = log_density + np.log(share)
        p = np.exp(log_p - log_p.max(axis=1, keepdims=True))
        p /= p.sum(axis=1, keepdims=True)
        share = (p.sum(axis=0) + _PRIOR) / (len(p) + _PRIOR.sum())
    weight: Array = p @ (1 / SCALES**2)
    return weight
