"""Expect battery swaps: how many until a date, from each meter's usual interval."""

from dataclasses import dataclass

import numpy as np

from models.fleet.design import CumulativeEvents, Devices, FleetSettings
from models.metrology import Array, Index, normal_cdf

_PRIOR_SWAPS = 3.0
"""Swaps that a group's rate is worth beside a meter's own, and the prior's beside a group's."""
_SPREAD = 0.35
"""Usual sd of an interval between swaps over its mean."""


@dataclass
class SwapOutlook:
    """Each meter's usual interval between battery swaps and its last swap, [meters], in years.

    today: years since 1970; known: whether any swap was ever recorded.
    """

    today: float
    interval: Array
    last: Array
    known: bool

    def expected(self, meter: Index, t: Array) -> tuple[Array, Array]:
        """Return mean and variance of the number of swaps from today to t, of each pair."""
        ahead = np.maximum(t - self.today, 0.0)
        if not self.known or not len(t) or ahead.max() <= 0:
            return np.zeros(len(t)), np.zeros(len(t))
        L = self.interval[meter]
        left = np.maximum(L - (self.today - self.last[meter]), 0.2 * L)
        mean, square = np.zeros(len(t)), np.zeros(len(t))
        for m in range(1, int(np.ceil(ahead.max() / L.min())) + 4):
            due = left + (m - 1) * L
            reached = normal_cdf((ahead - due) / (_SPREAD * L * np.sqrt(m))) * (ahead > 0)
            mean += reached
            square += (2 * m - 1) * reached
        return mean, np.maximum(square - mean**2, 0.0)


def swap_outlook(
    devices: Devices, swaps: CumulativeEvents, settings: FleetSettings, *, today: float
) -> SwapOutlook:
    """Return the usual intervals: the rates' posterior means with gamma priors worth three swaps.

    A meter's prior has its group's rate, a group's the usual one of the settings.
    """
    n = len(devices.meters)
    count = np.bincount(swaps.device, minlength=n).astype(np.float64)
    years = np.maximum(today - devices.service, 0.05)
    own = _PRIOR_SWAPS
    n_groups = len(devices.groups)
    group_years = np.bincount(devices.group, weights=years, minlength=n_groups)
    group_count = np.bincount(devices.group, weights=count, minlength=n_groups)
    usual = (group_years + own * settings.swap_interval_years) / (group_count + own)
    interval = (years + own * usual[devices.group]) / (count + own)
    last = devices.service.copy()
    np.maximum.at(last, swaps.device, swaps.at)
    return SwapOutlook(today, np.maximum(interval, 0.05), last, bool(len(swaps.device)))
