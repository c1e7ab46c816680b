"""One straight line through the lags of a ride's stretches, most of which agree."""

import numpy as np

from models.metrology import Array

CLOCK_DRIFT_PRIOR_PPM = 60.0  # quartz clocks; common practice, not a published figure
STEEPEST_PPM = 1000.0  # no clock of a device runs off faster; what does is a jump
_U_STRETCH_S = 0.3  # how well a stretch tells its lag


def clock_line(at: Array, lag: Array, weight: Array, *, near: float) -> tuple[float, float]:
    """Return level (s) and slope (s/s) of the lag.

    at      (k,) s, middle of each stretch, from the ride's middle
    lag     (k,) s, weight: trust in it, 0 for none
    near    s: stretches that lie farther from the line do not shape it
    The line is the one, sloping or level, that most of the trust lies on, so that a clock that
    jumped costs the smaller part. A prior keeps the slope at what clocks do.
    """
    used = weight > 0
    if not used.any():
        return 0.0, 0.0
    at, lag, weight = at[used], lag[used], weight[used]
    if len(at) < 3:
        return float(np.average(lag, weights=weight)), 0.0
    lines = (_sloping(at, lag, weight), _level(lag, weight, near))
    inside = [np.abs(lag - level - slope * at) < near for level, slope in lines]
    captured = [float(weight[near_line].sum()) for near_line in inside]
    best = inside[int(np.argmax(captured))]
    return _with_prior(at[best], lag[best], weight[best])


def _sloping(at: Array, lag: Array, weight: Array) -> tuple[float, float]:
    """Return weighted medians of the pairwise slopes, and of the levels."""
    i, j = np.triu_indices(len(at), 1)
    steepest = STEEPEST_PPM * 1e-6
    slope = _weighted_median((lag[j] - lag[i]) / (at[j] - at[i]), weight[i] * weight[j])
    slope = float(np.clip(slope, -steepest, steepest))
    return _weighted_median(lag - slope * at, weight), slope


def _level(lag: Array, weight: Array, near: float) -> tuple[float, float]:
    """Return the lag around which most of the trust lies."""
    captured = [float(weight[np.abs(lag - centre) < near].sum()) for centre in lag]
    return float(lag[int(np.argmax(captured))]), 0.0


def _with_prior(at: Array, lag: Array, weight: Array) -> tuple[float, float]:
    centre, height = np.average(at, weights=weight), np.average(lag, weights=weight)
    if len(at) < 3:
        return float(height), 0.0
    moment = float(np.sum(weight * (at - centre) * (lag - height)) / weight.mean())
    spread = float(np.sum(weight * np.square(at - centre)) / weight.mean())
    ridge = (_U_STRETCH_S / (CLOCK_DRIFT_PRIOR_PPM * 1e-6)) ** 2
    slope = moment / (spread + ridge)
    return float(height - slope * centre), slope


def _weighted_median(values: Array, weights: Array) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])
