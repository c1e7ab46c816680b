"""Weigh observations robustly: noise is a mixture of regular, wide and outlying.

Each observation is judged by what everything else expected of it (leave-one-out). Its noise is
taken as N(0, s²·v) with s = 1, 2.5 or 10 in unknown proportions, fitted to the fleet (EM, with a
weak prior); the weight of its noise precision is the posterior mean of 1/s². Clean normal noise
keeps weights of practically one; one outlier in thirty comparisons costs almost nothing.
"""

from dataclasses import dataclass

import numpy as np

from models.fleet.inference.innovations import regular_noise
from models.fleet.inference.likelihood import State
from models.metrology import Array, Mask

SCALES = np.array([1.0, 2.5, 10.0])
WILD_WEIGHT = 0.1
"""Weight up to which an observation hardly counts: it is wild."""
_PRIOR = np.array([60.0, 1.2, 0.6])  # pseudo-observations of each kind
_ROUNDS = 25


@dataclass(frozen=True)
class Mixture:
    """Shares of regular, wide and outlying noise."""

    shares: tuple[float, float, float] = (1.0, 0.0, 0.0)

    @property
    def variance_ratio(self) -> float:
        """Return the variance of regular and wide noise together over the regular's."""
        regular, wide, _ = self.shares
        return (regular + wide * float(SCALES[1]) ** 2) / (regular + wide)

    @property
    def information(self) -> float:
        """Return an observation's Fisher information over its mean weight (both per regular noise).

        Weights that the data chose claim more than they know; predictions rest on weights
        times this share. 1 for normal noise, 0.7 for Student's t with 4 degrees of freedom.
        """
        e = np.linspace(-12.0, 12.0, 4801) * 2.5
        parts = np.array(self.shares) / SCALES * np.exp(-0.5 * (e[:, None] / SCALES) ** 2)
        density = parts.sum(axis=1)
        pull = parts @ (1 / SCALES**2)  # −m'/e
        known = float(np.sum((pull * e) ** 2 / density) / np.sum(pull))
        return min(known, 1.0)

    def tail(self, z: Array, noise_share: float) -> Array:
        """Return P(|Z| > z) of a residual over its sd, of whose variance noise is a given share."""
        from scipy.special import ndtr

        regular, wide, _ = self.shares
        spread = 1 + noise_share * (SCALES[:2] ** 2 / self.variance_ratio - 1)
        p = 2 * ndtr(-z[..., None] / np.sqrt(np.maximum(spread, 1e-6)))
        tail: Array = (p @ np.array([regular, wide])) / (regular + wide)
        return tail


NORMAL = Mixture()


@dataclass
class LeftOut:
    """Each observation against the rest: residual, variance of the others' part, of the noise."""

    residual: Array
    others: Array
    noise: Array

    def standardized(self) -> Array:
        """Return residuals over their sds, the noise at full weight."""
        z: Array = self.residual / np.sqrt(self.others + self.noise)
        return z


def usual_shares() -> Array:
    """Return the shares of regular, wide and outlying noise before the data."""
    shares: Array = _PRIOR / _PRIOR.sum()
    return shares


def left_out(state: State) -> LeftOut:
    """Return leave-one-out residuals of all observations: α_j / P_jj, of variance 1 / P_jj."""
    found = state.each(_left_out)
    return LeftOut(
        np.concatenate([x.residual for x in found]),
        np.concatenate([x.others for x in found]),
        np.concatenate([x.noise for x in found]),
    )


def _left_out(state: State) -> LeftOut:
    n = len(state.design.obs)
    residual, others, noise = np.zeros(n), np.zeros(n), np.ones(n)
    for batch, block in zip(state.design.batches, state.blocks, strict=True):
        real = batch.mask > 0
        rows = batch.rows[real]
        P = np.einsum("bii->bi", block.P)[real]
        full = regular_noise(batch, block)[real]
        residual[rows] = block.alpha[real] / P
        others[rows] = np.maximum(1 / P - full / batch.weight[real], 0.0)
        noise[rows] = full
    return LeftOut(residual, others, noise)


def mixture_weights(out: LeftOut, is_bench: Mask) -> tuple[Array, Mixture, Mixture]:
    """Return the noise precisions' weights, and the mixtures of sessions and of comparisons."""
    weight = np.ones(len(out.residual))
    mixtures = []
    for chosen in (is_bench, ~is_bench):
        part = LeftOut(out.residual[chosen], out.others[chosen], out.noise[chosen])
        weight[chosen], mixture = _mixture(part)
        mixtures.append(mixture)
    return weight, mixtures[0], mixtures[1]


def _mixture(out: LeftOut) -> tuple[Array, Mixture]:
    variance = out.others[:, None] + out.noise[:, None] * SCALES**2
    log_density = -0.5 * (np.log(variance) + out.residual[:, None] ** 2 / variance)
    share = usual_shares()
    p = np.ones((0, 3))
    for _ in range(_ROUNDS if len(out.residual) else 0):
        log_p = log_density + np.log(share)
        p = np.exp(log_p - log_p.max(axis=1, keepdims=True))
        p /= p.sum(axis=1, keepdims=True)
        share = (p.sum(axis=0) + _PRIOR) / (len(p) + _PRIOR.sum())
    regular, wide, outlying = (float(s) for s in share)
    return p @ (1 / SCALES**2), Mixture((regular, wide, outlying))
