"""Form the blocks' covariance, and contract its derivatives with what the likelihood needs.

A derivative with respect to a hyperparameter is never formed as a matrix: all accumulated
variances share min(c_j, c_k), whose contraction with a symmetric M is
Σ_k increment_k · Σ_{i,j ≥ k} M_ij.
"""

import numpy as np

from models.fleet.design import EVENT_KINDS, GROUP_KINDS, Batch, corner_sums, from_the_end
from models.fleet.inference.hyper import Hyper
from models.metrology import Array

EVENT = len(GROUP_KINDS)
RIDER = EVENT + len(EVENT_KINDS)
N_LOCAL = RIDER + 1
"""Local parts: the group kinds in order, then the events (a hyperparameter a kind), riders."""


class Scales:
    """Hyperparameters as each block of a batch needs them: variances (…2) and `line`, [B]."""

    def __init__(self, hyper: Hyper, batch: Batch) -> None:
        g = batch.group
        self.own = batch.own
        self.line = hyper.line_covariance()[g] * batch.own[:, None, None]
        self.factor = [x[g] for x in hyper.line_factor()]
        self.swap2 = hyper.sd("swap")[g] ** 2 * batch.own
        self.walk2 = hyper.sd("walk")[g] ** 2 * batch.own
        self.event2 = hyper.event_variances()[:, None] * batch.own
        self.pair2 = hyper.sd("pair")[g] ** 2
        self.bench2 = hyper.sd("bench")[g] ** 2
        self.ride2 = hyper.sd("ride")[g] ** 2
        self.temperature2 = hyper.sd("warmth_own")[g] ** 2
        self.reference2 = hyper.fleet_sd("reference_walk") ** 2
        self.walks2 = hyper.sd("walk") ** 2
        self.rider2 = hyper.fleet_sd("rider") ** 2

    def unit_variances(self) -> Array:
        """Return the variance of a unit of walk, swap, events by kind and alarm, [7, B]."""
        return np.stack([self.walk2, self.swap2, *self.event2, self.own])


def sensor_covariance(batch: Batch, s: Scales) -> Array:
    """Return the covariance of the sensor's own course at its observations, [B, n, n]."""
    c = np.cumsum(np.einsum("kb,kbn->bn", s.unit_variances(), batch.increments), axis=1)
    c *= batch.mask
    V: Array = np.minimum(c[:, :, None], c[:, None, :])
    z = np.stack([batch.mask, batch.age], axis=2)
    V += (z @ s.line) @ z.transpose(0, 2, 1)
    return V


def block_covariance(batch: Batch, s: Scales) -> Array:
    """Return V of each block, [B, n, n]; padded places are independent, of variance 1."""
    V = sensor_covariance(batch, s)
    V += s.pair2[:, None, None] * batch.same_pair
    if batch.same_rider is not None:
        V += s.rider2 * batch.same_rider
    V += batch.fixed
    if batch.offset_c.any():
        warm = s.temperature2[:, None] * batch.offset_c
        V += warm[:, :, None] * batch.offset_c[:, None, :]
    np.einsum("bii->bi", V)[...] += _diagonal(batch, s)
    return V


def _diagonal(batch: Batch, s: Scales) -> Array:
    extra = batch.bench * s.bench2[:, None] + (1 - batch.bench) * s.ride2[:, None]
    real = batch.mask > 0
    noise = (batch.noise2 + extra) * _noise_share(batch)
    bridge = batch.bridge_reference * s.reference2
    bridge += batch.bridge_own * s.walks2[batch.group][:, None]
    bridge += batch.bridge_other * s.walks2[batch.other_group]
    return np.where(real, noise + bridge + batch.added, 1.0)


def _noise_share(batch: Batch) -> Array:
    """Return scale² / weight where real, else 0."""
    out = np.zeros_like(batch.weight)
    return np.divide(batch.scale2, batch.weight, out=out, where=batch.mask > 0)


def contracted(batch: Batch, s: Scales, M: Array) -> Array:
    """Return ½ tr(M dV) of every local part and block, [B, N_LOCAL]; M symmetric [B, n, n]."""
    out = np.zeros((len(batch.meter), N_LOCAL))
    m = batch.mask
    Mm = np.einsum("bij,bj->bi", M, m)
    Ma = np.einsum("bij,bj->bi", M, batch.age)
    m11 = np.einsum("bi,bi->b", m, Mm) * s.own
    m12 = np.einsum("bi,bi->b", batch.age, Mm) * s.own
    m22 = np.einsum("bi,bi->b", batch.age, Ma) * s.own
    l11, l21, l22 = s.factor
    out[:, 0] = l11 * (l11 * m11 + l21 * m12)
    out[:, 1] = l22 * (l11 * m12 + l21 * m22)
    out[:, 2] = l21 * l11 * m12 + (l21**2 + l22**2) * m22
    corners = corner_sums(M)
    totals = np.einsum("bn,kbn->kb", corners, batch.increments)
    diagonal = np.einsum("bii->bi", M)
    out[:, 3] = s.swap2 * totals[1]
    out[:, 4] = s.walk2 * totals[0]
    out[:, 4] += s.walks2[batch.group] * np.einsum("bi,bi->b", diagonal, batch.bridge_own)
    out[:, 5] = s.pair2 * np.einsum("bij,bij->b", M, batch.same_pair)
    share = diagonal * _noise_share(batch)
    out[:, 6] = s.bench2 * np.einsum("bi,bi->b", share, batch.bench)
    out[:, 7] = s.ride2 * np.einsum("bi,bi->b", share, m - batch.bench)
    out[:, 8] = s.temperature2 * np.einsum(
        "bi,bij,bj->b", batch.offset_c, M, batch.offset_c, optimize=True
    )
    out[:, EVENT:RIDER] = (s.event2 * totals[2:-1]).T
    if batch.same_rider is not None:
        out[:, RIDER] = s.rider2 * np.einsum("bij,bij->b", M, batch.same_rider)
    return out


def bridge_contracted(batch: Batch, s: Scales, M: Array) -> tuple[float, Array]:
    """Return ½ tr(M dV) through what knots leave open: of references, of meters by group."""
    diagonal = np.einsum("bii->bi", M)
    reference = s.reference2 * float(np.sum(diagonal * batch.bridge_reference))
    other = diagonal * batch.bridge_other * s.walks2[batch.other_group]
    by_group = np.bincount(
        batch.other_group.ravel(), weights=other.ravel(), minlength=len(s.walks2)
    )
    return reference, by_group.astype(np.float64)


def applied(batch: Batch, s: Scales, x: Array) -> Array:
    """Return dV x of every local part, [B, n, N_LOCAL]; x [B, n]."""
    out = np.zeros((*x.shape, N_LOCAL))
    m, a = batch.mask, batch.age
    sum1 = np.einsum("bi,bi->b", m, x) * s.own
    sum_a = np.einsum("bi,bi->b", a, x) * s.own
    l11, l21, l22 = s.factor
    out[..., 0] = (2 * l11 * l11 * sum1 + l11 * l21 * sum_a)[:, None] * m
    out[..., 0] += (l11 * l21 * sum1)[:, None] * a
    turned = l11 * sum1 + 2 * l21 * sum_a
    out[..., 1] = (l22 * l11 * sum_a)[:, None] * m + (l22 * turned)[:, None] * a
    out[..., 2] = (l21 * l11 * sum_a)[:, None] * m
    out[..., 2] += (l21 * turned + 2 * l22**2 * sum_a)[:, None] * a
    rest = from_the_end(x * m)
    totals = 2 * np.cumsum(batch.increments * rest, axis=2) * m
    out[..., 3] = s.swap2[:, None] * totals[1]
    out[..., 4] = s.walk2[:, None] * totals[0]
    out[..., 5] = 2 * s.pair2[:, None] * np.einsum("bij,bj->bi", batch.same_pair, x)
    share = 2 * x * _noise_share(batch)
    out[..., 6] = s.bench2[:, None] * share * batch.bench
    out[..., 7] = s.ride2[:, None] * share * (m - batch.bench)
    sum_c = 2 * s.temperature2 * np.einsum("bi,bi->b", batch.offset_c, x)
    out[..., 8] = sum_c[:, None] * batch.offset_c
    out[..., EVENT:RIDER] = np.moveaxis(s.event2[:, :, None] * totals[2:-1], 0, -1)
    if batch.same_rider is not None:
        out[..., RIDER] = 2 * s.rider2 * np.einsum("bij,bj->bi", batch.same_rider, x)
    return out
