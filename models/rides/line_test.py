"""Whether a ride's ratio lies on one line: lack of fit against the scatter of repeated powers."""

import numpy as np

from models.metrology import Array, Index, lack_of_fit
from models.rides.alignment import Windows
from models.rides.window_fit import RideFit

_BINS = 6
_BLOCK = 8  # windows: a minute, in which devices wander; blocks are then nearly independent


def misfit_p(windows: Windows, fit: RideFit) -> float | None:
    """Return the tail of the F test of lack of fit, over bands of power; None: too little to test.

    Stretches of a minute at one power are the repeats, so that slow wander counts as scatter.
    Source: NIST/SEMATECH e-Handbook, 4.4.4.6.
    """
    kept = np.flatnonzero(fit.kept)
    if len(kept) < _BINS * _BLOCK:
        return None
    power = windows.reference_w[kept]
    edges = np.quantile(power, np.linspace(0, 1, _BINS + 1)[1:-1])
    band = np.searchsorted(edges, power)
    block = _blocks(band)
    value = fit.residual[kept] / fit.sd_w[kept]
    found = lack_of_fit(_of_each(band.astype(float), block), _sums(value, block))
    return None if found is None else found.p


def _blocks(band: Index) -> Index:
    """Return the number of the block (n,) of each window: neighbours of one band, a minute long."""
    starts = np.concatenate([[True], band[1:] != band[:-1]])
    first = np.maximum.accumulate(np.where(starts, np.arange(len(band)), 0))
    begins = starts | ((np.arange(len(band)) - first) % _BLOCK == 0)
    return np.asarray(np.cumsum(begins) - 1)


def _of_each(values: Array, block: Index) -> Array:
    return np.asarray(values[np.unique(block, return_index=True)[1]])


def _sums(values: Array, block: Index) -> Array:
    """Return each block's sum over the root of its number: of one variance, however long."""
    return np.asarray(np.bincount(block, values) / np.sqrt(np.bincount(block)))
