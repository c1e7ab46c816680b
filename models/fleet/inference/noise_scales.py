"""Give each meter's rides a noise of their own, shrunk towards what is usual.

A meter's true noise variance is taken as the usual one times d0 over a χ² of d0 degrees of freedom,
d0 learnt from how unlike the fleet's meters are (Smyth 2004, see `variance_prior`). A meter's own
variance is the most likely one of its leave-one-out residuals, whose noise is regular, wide or
outlying as in `robust_weights`; what it is worth in degrees of freedom is its information.
"""

import numpy as np

from models.fleet.inference.robust_weights import SCALES, LeftOut, Mixture, usual_shares
from models.metrology import FEW_METERS, Array, Index, variance_prior

FEW_DOF = 8.0
"""Where nobody knows how much meters differ: as if by a factor of 1.6 up or down."""
_LEAST_DOF = 4.0  # of a meter that tells how unlike meters are
_LEAST_KNOWN = 0.25  # of the information, whatever the mixture hides
_ROUNDS = 8
_LONGEST = 1.0  # step of a log variance in one round


def own_scales(out: LeftOut, owner: Index, mixture: Mixture) -> Array:
    """Return each observation's noise sd over the usual, [observations]; 1 where meters are alike.

    out: leave-one-out residuals with the usual noise; owner: the meter of each
    """
    if not len(owner):
        return np.ones(0)
    _, meter = np.unique(owner, return_inverse=True)
    shares = np.array(mixture.shares) if mixture.shares[1] > 0 else usual_shares()
    ratio = np.ones(int(meter.max()) + 1)
    for _ in range(_ROUNDS):
        own, dof = _own_variances(out, meter, np.log(ratio), shares)
        ratio = _shrunk(own, dof)
    scale: Array = np.sqrt(ratio)[meter]
    return scale


def _own_variances(
    out: LeftOut, meter: Index, log_ratio: Array, shares: Array
) -> tuple[Array, Array]:
    """Return each meter's variance over the usual and its degrees of freedom, by Fisher scoring.

    Source of the information that mixtures leave: Louis (1982), J. R. Stat. Soc. B 44:226.
    """
    noise = (out.noise * np.exp(log_ratio)[meter])[:, None] * SCALES**2
    variance = out.others[:, None] + noise
    square = out.residual[:, None] ** 2 / variance
    log_p = np.log(shares) - 0.5 * (np.log(variance) + square)
    p = np.exp(log_p - log_p.max(axis=1, keepdims=True))
    p /= p.sum(axis=1, keepdims=True)
    part = noise / variance
    pull = part * (square - 1) / 2
    score = np.sum(p * pull, axis=1)
    known = np.sum(p * part**2, axis=1)  # were it known which noise is regular
    unknown = 2 * (np.sum(p * pull**2, axis=1) - score**2)
    score, known, unknown = (np.bincount(meter, weights=x) for x in (score, known, unknown))
    dof = np.maximum(known - unknown, _LEAST_KNOWN * known) + 1e-6
    step = np.clip(2 * score / dof, -_LONGEST, _LONGEST)
    return np.exp(log_ratio + step), dof


def _shrunk(own: Array, dof: Array) -> Array:
    """Return the meters' variances over the usual one, drawn towards it."""
    telling = dof >= _LEAST_DOF
    if telling.sum() < FEW_METERS:
        usual, worth = 1.0, FEW_DOF
    else:
        usual, worth = variance_prior(own[telling], dof[telling])
    if np.isinf(worth):
        return np.ones(len(own))
    shrunk: Array = (worth + dof * own / usual) / (worth + dof)
    return shrunk
