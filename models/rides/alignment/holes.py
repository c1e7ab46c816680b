"""Long zeros of one recording beside power in the other: holes that were written as zeros."""

from dataclasses import replace

import numpy as np

from models.metrology import Array, Index, Mask
from models.rides.alignment.resampling import Resampled

LONG_S = 15  # a longer run of zeros beside power is no late coasting
PEDALLING_W = 30.0


def runs(condition: Mask) -> Index:
    """Return first and one-past-last index (k, 2) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], condition.astype(np.int8), [0]])))
    return edges.reshape(-1, 2)


def long_zeros(power: Array) -> Index:
    """Return first and one-past-last index (k, 2) of each long run of zeros."""
    found = runs(power <= 0)
    return found[found[:, 1] - found[:, 0] >= LONG_S]


def has_holes(meter: Resampled, reference: Resampled, stamps: Array) -> bool:
    """Return whether long zeros of one lie beside power of the other.

    stamps: the reference's instants at each of the meter's
    """
    shown = reference.at(stamps, reference.power_w)
    return _beside_power(meter.power_w, shown) or _beside_power(shown, meter.power_w)


def _beside_power(power: Array, other: Array) -> bool:
    for first, last in long_zeros(power):
        beside = other[first:last]
        known = beside[np.isfinite(beside)]
        if len(known) >= LONG_S and np.median(known) > PEDALLING_W:
            return True
    return False


def without_long_zeros(recording: Resampled) -> Resampled:
    """Return a recording whose long zeros are not known."""
    power = recording.power_w.copy()
    for first, last in long_zeros(power):
        power[first:last] = np.nan
    return replace(recording, power_w=power)
