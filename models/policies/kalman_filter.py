"""What a model believes of simulated meters: a Kalman filter of their state.

Where knocks are watched for, each observation weighs one since the last against none, by Bayes'
rule, and the two are merged by their mean and variance (a Gaussian mixture kept as one Gaussian).
"""

from copy import copy
from typing import Self

import numpy as np

from models.metrology import Array, Index, Mask
from models.policies.meter_process import WEEK, ProcessParameters
from models.status import p_within

PAIR, BENCH = 2, 3
"""Parts of the state that an observation may carry beside the error: see `update`."""
_LEAST_CHANCE = 1e-3  # of a knock, below which it changes nothing worth the time


class KalmanFilter:
    """The state (s, d, b, c) of N meters: mean [N, 4] and covariance P [N, 4, 4]."""

    def __init__(self, parameters: ProcessParameters) -> None:
        n = len(parameters)
        self.parameters = parameters
        self.mean = np.zeros((n, 4))
        self.mean[:, 0], self.mean[:, 1] = parameters.start, parameters.drift
        self.P = np.zeros((n, 4, 4))
        self.P[:, :2, :2] = parameters.line
        self.P[:, PAIR, PAIR] = parameters.pair2
        self.P[:, BENCH, BENCH] = parameters.shared2
        self.unseen = np.zeros(n)  # years since the last observation

    def part(self, at: slice, parameters: ProcessParameters) -> Self:
        """Return what is believed of some meters, which have these parameters; not a copy."""
        seen = copy(self)
        seen.parameters, seen.mean = parameters, self.mean[at]
        seen.P, seen.unseen = self.P[at], self.unseen[at]
        return seen

    def predict(self, swapped: Mask) -> None:
        """Let a week pass: drift, wander and battery swaps. swapped [N]: who got a battery."""
        of, P = self.parameters, self.P
        self.mean[:, 0] += WEEK * self.mean[:, 1] + swapped * of.swap_step
        P[:, 0, :] += WEEK * P[:, 1, :]
        P[:, :, 0] += WEEK * P[:, :, 1]
        P[:, 0, 0] += of.walk2 * WEEK + swapped * of.swap2
        P[:, PAIR, PAIR] += of.pair_walk2 * WEEK
        self.unseen += WEEK

    def update(self, which: Mask, found: Array, part: int, noise2: Array) -> None:
        """Take in an observation of the error plus another part, PAIR or BENCH.

        which [N]: who was observed; found, noise2 [N]: the value and its noise variance
        """
        k = np.flatnonzero(which)
        if not k.size:
            return
        P = self.P[k]
        PH = P[:, :, 0] + P[:, :, part]
        S = PH[:, 0] + PH[:, part] + noise2[k]
        gain = PH / S[:, None]
        innovation = found[k] - self.mean[k, 0] - self.mean[k, part]
        self.mean[k] += gain * innovation[:, None]
        self.P[k] = P - gain[:, :, None] * PH[:, None, :]
        self._weigh_knocks(k, PH, S, innovation)
        self.unseen[k] = 0.0

    def _weigh_knocks(self, k: Index, PH: Array, S: Array, innovation: Array) -> None:
        """Merge in a knock since the last observation, by its probability.

        k [n]: who was observed; PH [n, 4], S [n], innovation [n]: of the observation without one
        """
        of = self.parameters
        k2, S1 = of.knock2[k], S + of.knock2[k]
        prior = np.expm1(of.knock_rate[k] * self.unseen[k])
        likelier = np.exp(np.minimum(innovation**2 * (1 / S - 1 / S1) / 2, 50.0))
        odds = prior * np.sqrt(S / S1) * likelier
        chance = odds / (1 + odds)
        at = np.flatnonzero(chance > _LEAST_CHANCE)
        if not at.size:
            return
        k, w = k[at], chance[at]
        knocked = PH[at].copy()  # covariance of state and observation after a knock
        knocked[:, 0] += k2[at]
        gain, plain = knocked / S1[at, None], PH[at] / S[at, None]
        more = (gain - plain) * innovation[at, None]
        P1 = self.P[k] + plain[:, :, None] * PH[at, None, :] - gain[:, :, None] * knocked[:, None]
        P1[:, 0, 0] += k2[at]
        self.mean[k] += w[:, None] * more
        spread = (1 - w)[:, None, None] * more[:, :, None] * more[:, None, :]
        self.P[k] += w[:, None, None] * (P1 - self.P[k] + spread)

    def p_within(self) -> Array:
        """Return the probability of each meter's error being within tolerance [N]."""
        sd = np.sqrt(np.maximum(self.P[:, 0, 0], 0.0))
        return p_within(self.mean[:, 0], sd, self.parameters.tolerance)
