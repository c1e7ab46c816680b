"""The difference in smoothing between two recordings of the same power.

A trainer often shows a mean of the last seconds while a crank shows each turn. Comparing the
two as they are costs little in steady riding and much in every change of power, so the sharper
trace is smoothed like the other one: the kernel is the one of a small family with which one
power explains the other best.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Option = tuple[str, str, float]  # side, shape, seconds

_SURVEY_S = (3.0, 6.0, 10.0)  # boxcars tried on either side first
_BOXCARS_S = (2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 15.0, 20.0, 30.0)
_EXPONENTIALS_S = (0.7, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 8.0, 10.0)
_WORTHWHILE = 0.985  # a kernel must explain this much better than none


@dataclass(frozen=True)
class Matched:
    """Both powers with the same smoothing.

    meter_w, reference_w  (n,) nan where the kernel met unknown seconds
    side                  which trace was smoothed: "meter", "reference" or "none"
    kernel                (2 h + 1,) centred weights with which it was smoothed
    shape, seconds        what they are: boxcar or exponential, and its length
    change_w              (n,) how the smoothed trace answers to a longer kernel: W per unit of
                          ln(length); without a kernel, to the first bit of smoothing
    late_s                how much later the reference still is than the alignment has it
    """

    meter_w: Array
    reference_w: Array
    side: str
    kernel: Array
    shape: str
    seconds: float
    change_w: Array
    late_s: float = 0.0

    @property
    def reach_s(self) -> int:
        """Seconds on either side over which the kernel spreads a change."""
        heavy = np.flatnonzero(self.kernel > 0.02)
        return int(max(1, np.max(np.abs(heavy - len(self.kernel) // 2))))


def match(meter_w: Array, reference_w: Array) -> Matched:
    """Smooth the sharper of two aligned powers like the other one.

    meter_w, reference_w  (n,) nan where spikes, drop-outs and gaps were taken out
    """
    bare = (meter_w, reference_w)
    survey: list[Option] = [("none", "none", 0.0)]
    survey += [
        (side, "boxcar", seconds) for side in ("meter", "reference") for seconds in _SURVEY_S
    ]
    tried = [_smoothed_pair(*bare, *option) for option in survey]
    losses, _ = _losses(tried)
    side = tried[int(np.argmin(losses))].side
    if side == "none":
        shorter: list[Option] = [(s, "boxcar", 2.0) for s in ("meter", "reference")]
        shorter += [(s, "exponential", x) for s in ("meter", "reference") for x in (0.7, 1.0, 1.5)]
        tried = [tried[0]] + [_smoothed_pair(*bare, *option) for option in shorter]
    else:
        family: list[Option] = [(side, "boxcar", x) for x in _BOXCARS_S]
        family += [(side, "exponential", x) for x in _EXPONENTIALS_S]
        tried = [tried[0]] + [_smoothed_pair(*bare, *option) for option in family]
    losses, late = _losses(tried)
    best = int(np.argmin(losses))
    if losses[best] >= _WORTHWHILE * losses[0]:
        return _with_change(replace(tried[0], late_s=float(late[0])), bare)
    return _with_change(_refined(bare, tried[best]), bare)


def _refined(bare: tuple[Array, Array], found: Matched) -> Matched:
    """The kernel's length between the family's members, by a parabola through three losses."""
    lengths = found.seconds * np.array([0.85, 1.0, 1.18])
    tried = [_smoothed_pair(*bare, found.side, found.shape, float(x)) for x in lengths]
    losses, _ = _losses(tried)
    bend, tilt, _ = np.polyfit(np.log(lengths / found.seconds), losses, 2)
    move = float(np.clip(-tilt / (2 * bend), -0.16, 0.16)) if bend > 0 else 0.0
    best = _smoothed_pair(*bare, found.side, found.shape, found.seconds * float(np.exp(move)))
    _, late = _losses([best])
    return replace(best, late_s=float(late[0]))


def centred_kernel(shape: str, seconds: float) -> Array:
    """Weights (2 h + 1,) of a trailing smoothing, moved so that it delays nothing on average."""
    if shape == "none" or seconds <= 0:
        return np.ones(1)
    if shape == "boxcar":
        whole = int(np.floor(seconds))
        trailing = np.append(np.ones(whole), seconds - whole)
    else:
        trailing = np.exp(-np.arange(int(np.ceil(6 * seconds)) + 1) / seconds)
    trailing = trailing / trailing.sum()
    delay = float(np.sum(np.arange(len(trailing)) * trailing))
    half = len(trailing)
    kernel = np.zeros(2 * half + 1)
    at = half + np.arange(len(trailing)) - delay
    low = np.floor(at).astype(np.int64)
    share = at - low
    np.add.at(kernel, low, trailing * (1 - share))
    np.add.at(kernel, low + 1, trailing * share)
    return kernel


def smoothed(values: Array, kernel: Array, *, tolerated: float = 0.1) -> Array:
    """Values (n,) under a centred kernel; nan where more than `tolerated` of it is unknown."""
    if len(kernel) == 1:
        return values
    known = np.isfinite(values)
    weight = _convolve(known.astype(np.float64), kernel)
    total = _convolve(np.where(known, values, 0.0), kernel)
    enough = known & (weight > 1 - tolerated)
    return np.where(enough, total / np.maximum(weight, 1e-9), np.nan)


def _convolve(values: Array, kernel: Array) -> Array:
    half = len(kernel) // 2
    return np.convolve(values, kernel, "full")[half : half + len(values)]


def _smoothed_pair(
    meter_w: Array, reference_w: Array, side: str, shape: str, seconds: float
) -> Matched:
    kernel = centred_kernel(shape, seconds)
    if side == "meter":
        meter_w = smoothed(meter_w, kernel)
    elif side == "reference":
        reference_w = smoothed(reference_w, kernel)
    return Matched(meter_w, reference_w, side, kernel, shape, seconds, np.zeros(0))


def _with_change(found: Matched, bare: tuple[Array, Array]) -> Matched:
    """Adds change_w, by the kernels 12 % shorter and longer."""
    if found.side == "none":
        one_two_one = np.array([0.25, 0.5, 0.25])
        softer = smoothed(bare[0], one_two_one, tolerated=0.3)
        return replace(found, change_w=np.nan_to_num(softer - bare[0]))
    trace = bare[0] if found.side == "meter" else bare[1]
    low, high = (
        smoothed(trace, centred_kernel(found.shape, found.seconds * x)) for x in (0.88, 1.12)
    )
    return replace(found, change_w=np.nan_to_num((high - low) / (np.log(1.12) - np.log(0.88))))


def _losses(tried: list[Matched]) -> tuple[Array, Array]:
    """How badly one power explains the other under each option, and the delay left (s).

    Huber's loss around gain · reference + constant + delay · slope, on the same seconds for
    all, of three-second means so that smoothing noise away does not look like a better match.
    """
    both = np.all([np.isfinite(t.meter_w) & np.isfinite(t.reference_w) for t in tried], axis=0)
    if both.sum() < 60:
        return np.array([0.0] + [1.0] * (len(tried) - 1)), np.zeros(len(tried))
    fits = [_residual(t, both) for t in tried]
    scale = max(0.3, min(1.4826 * float(np.median(np.abs(r))) for r, _ in fits))
    size = [np.abs(r) / scale for r, _ in fits]
    loss = [float(np.mean(np.where(z < 3, 0.5 * z**2, 3 * z - 4.5))) for z in size]
    return np.array(loss), np.array([late for _, late in fits])


def _residual(option: Matched, both: Mask) -> tuple[Array, float]:
    kernel = np.ones(3) / 3
    weight = np.maximum(_convolve(both.astype(np.float64), kernel), 1e-9)
    y = (_convolve(np.where(both, option.meter_w, 0.0), kernel) / weight)[both]
    x_all = _convolve(np.where(both, option.reference_w, 0.0), kernel) / weight
    slope = np.clip(np.gradient(x_all), -100, 100)[both]
    X = np.stack([x_all[both], np.ones(len(y)), slope], axis=1)
    weight_y = np.ones(len(y))
    for _ in range(3):
        left = (X * weight_y[:, None]).T
        beta = np.linalg.solve(left @ X + 1e-6 * np.eye(3), left @ y)
        residual = y - X @ beta
        scale = max(0.3, 1.4826 * float(np.median(np.abs(residual))))
        weight_y = 1 / np.maximum(1, np.abs(residual) / (3 * scale))
    gain = beta[0] if abs(beta[0]) > 0.2 else 1.0
    return np.asarray(residual), float(np.clip(beta[2] / gain, -3, 3))
