"""What a model believes of simulated meters: a Kalman filter of their state."""

import numpy as np

from models.metrology import Array, Mask
from models.policies.meter_process import WEEK, ProcessParameters
from models.status import p_within

PAIR, BENCH = 2, 3
"""Parts of the state that an observation may carry beside the error: see `update`."""


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

    def predict(self, swapped: Mask) -> None:
        """Let a week pass: drift, wander and battery swaps. swapped [N]: who got a battery."""
        of, P = self.parameters, self.P
        self.mean[:, 0] += WEEK * self.mean[:, 1] + swapped * of.swap_step
        P[:, 0, :] += WEEK * P[:, 1, :]
        P[:, :, 0] += WEEK * P[:, :, 1]
        P[:, 0, 0] += of.walk2 * WEEK + swapped * of.swap2
        P[:, PAIR, PAIR] += of.pair_walk2 * WEEK

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

    def p_within(self) -> Array:
        """Return the probability of each meter's error being within tolerance [N]."""
        sd = np.sqrt(np.maximum(self.P[:, 0, 0], 0.0))
        return p_within(self.mean[:, 0], sd, self.parameters.tolerance)
