"""Battery swaps to be expected: how many until a date, from each meter's usual interval."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from models.fleet.design import Devices, FleetSettings, StepClock
from models.metrology import Array, Index

_SWAPS_OF_BORROWED = 3.0
"""A meter's own interval counts like so many swaps of its group's (and a group's of the prior)."""
_SPREAD = 0.35
"""Usual sd of an interval between swaps over its mean."""


@dataclass
class SwapOutlook:
    """Each meter's usual interval between battery swaps and its last swap; years."""

    today: float
    interval: Array
    last: Array
    known: bool

    def expected(self, meter: Index, t: Array) -> tuple[Array, Array]:
        """Mean and variance of the number of swaps between today and t, for each pair."""
        ahead = np.maximum(t - self.today, 0.0)
        if not self.known or not len(t) or ahead.max() <= 0:
            return np.zeros(len(t)), np.zeros(len(t))
        L = self.interval[meter]
        left = np.maximum(L - (self.today - self.last[meter]), 0.2 * L)
        mean, square = np.zeros(len(t)), np.zeros(len(t))
        for m in range(1, int(np.ceil(ahead.max() / L.min())) + 4):
            due = left + (m - 1) * L
            reached = ndtr((ahead - due) / (_SPREAD * L * np.sqrt(m))) * (ahead > 0)
            mean += reached
            square += (2 * m - 1) * reached
        return mean, np.maximum(square - mean**2, 0.0)


def swap_outlook(
    devices: Devices, swaps: StepClock, settings: FleetSettings, *, today: float
) -> SwapOutlook:
    """Usual intervals: years in service over swaps, meters drawn to groups, groups to the prior.

    The rate's posterior mean with a gamma prior worth three swaps.
    """
    n = len(devices.meters)
    count = np.bincount(swaps.device, minlength=n).astype(np.float64)
    years = np.maximum(today - devices.service, 0.05)
    own = _SWAPS_OF_BORROWED
    n_groups = len(devices.groups)
    group_years = np.bincount(devices.group, weights=years, minlength=n_groups)
    group_count = np.bincount(devices.group, weights=count, minlength=n_groups)
    usual = (group_years + own * settings.swap_interval_years) / (group_count + own)
    interval = (years + own * usual[devices.group]) / (count + own)
    last = devices.service.copy()
    np.maximum.at(last, swaps.device, swaps.at)
    return SwapOutlook(today, np.maximum(interval, 0.05), last, bool(len(swaps.device)))
