"""Short windows of an aligned pair: means that a fit can rest on."""

from dataclasses import dataclass, fields

import numpy as np

from models.metrology import Array, Index, Mask

RADIANS_PER_SECOND = 2 * np.pi / 60  # of one rpm
_FILLED = 0.5  # of a window must be usable seconds
_SOFTEN = np.array([1.0, 2.0, 3.0, 4.0, 3.0, 2.0, 1.0]) / 16.0


@dataclass(frozen=True)
class Seconds:
    """An aligned pair second by second, both powers with the same smoothing.

    meter_w, reference_w  (n,) W
    omega                 (n,) angular velocity of the cranks, rad/s; 0 while coasting
    change_w              (n,) answer of the smoothed trace to a longer kernel
    used                  (n,) seconds that count
    """

    meter_w: Array
    reference_w: Array
    omega: Array
    change_w: Array
    used: Mask


@dataclass(frozen=True)
class Windows:
    """Means over the usable seconds of each window (k,).

    at_s         middle of the window, seconds from the first sample
    seconds      usable seconds in it
    meter_w, reference_w, omega
    slope        of the softened reference, W/s
    change_w     answer of the smoothed trace to a longer kernel, W per ln(length)
    unrest       mean absolute slope, W/s
    """

    at_s: Array
    seconds: Array
    meter_w: Array
    reference_w: Array
    omega: Array
    slope: Array
    change_w: Array
    unrest: Array

    def __len__(self) -> int:
        return len(self.at_s)

    def subset(self, keep: Mask | Index) -> "Windows":
        """Return some of the windows."""
        return Windows(**{f.name: getattr(self, f.name)[keep] for f in fields(self)})


def cut(pair: Seconds, *, length: int) -> tuple[Windows, Index]:
    """Return windows of `length` seconds, and the window of each second (n,), −1 in none.

    Windows with fewer than half of their seconds usable are left out.
    """
    n = len(pair.meter_w)
    index = np.arange(n) // length
    count = int(index[-1]) + 1 if n else 0
    seconds = np.bincount(index, pair.used, count).astype(np.float64)
    slope = _slope(pair.reference_w)

    def mean(values: Array) -> Array:
        total = np.bincount(index, np.where(pair.used, values, 0.0), count)
        return np.asarray(total / np.maximum(seconds, 1.0))

    whole = Windows(
        at_s=mean(np.arange(n, dtype=np.float64)),
        seconds=seconds,
        meter_w=mean(pair.meter_w),
        reference_w=mean(pair.reference_w),
        omega=mean(pair.omega),
        slope=mean(slope),
        change_w=mean(pair.change_w),
        unrest=mean(np.abs(slope)),
    )
    keep = seconds >= max(2.0, _FILLED * length)
    number = np.where(keep, np.cumsum(keep) - 1, -1)
    return whole.subset(keep), np.where(pair.used, number[index], -1)


def _slope(power: Array) -> Array:
    """Return the softened power's time derivative; unknown seconds are bridged for it."""
    known = np.isfinite(power)
    if known.sum() < 2:
        return np.zeros_like(power)
    index = np.arange(len(power))
    filled = np.interp(index, index[known], power[known])
    soft = np.convolve(np.pad(filled, 3, mode="edge"), _SOFTEN, "valid")
    return np.asarray(np.gradient(soft))
