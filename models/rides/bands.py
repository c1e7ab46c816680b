"""The ratio of a pair by power, by cadence and through the ride."""

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from models.metrology import Array
from models.rides.alignment import RADIANS_PER_SECOND, Windows
from models.rides.documents import Band, CadenceBand, PowerBand, TimeBand
from models.rides.window_fit import RideFit

POWER_EDGES_W = (0, 100, 150, 200, 250, 300, 350, 400, 500, 700, 3000)
CADENCE_EDGES_RPM = (0, 60, 70, 80, 90, 100, 110, 250)
STRETCH_S = 600
_FEWEST_WINDOWS = 4


def by_power_band(windows: Windows, fit: RideFit) -> list[PowerBand]:
    """Return the ratio in each band of the reference's power that holds enough windows."""
    found = _bands(windows, fit, windows.reference_w, POWER_EDGES_W)
    return [{"from_w": low, "to_w": high, **band} for low, high, band in found]


def by_cadence_band(windows: Windows, fit: RideFit) -> list[CadenceBand]:
    """Return the ratio in each band of cadence that holds enough windows."""
    found = _bands(windows, fit, windows.omega / RADIANS_PER_SECOND, CADENCE_EDGES_RPM)
    return [{"from_rpm": low, "to_rpm": high, **band} for low, high, band in found]


def by_time(windows: Windows, fit: RideFit) -> list[TimeBand]:
    """Return the ratio in each ten minutes from the first common second."""
    last = float(windows.at_s[-1]) if len(windows) else 0.0
    edges = tuple(range(0, int(last) + STRETCH_S + 1, STRETCH_S))
    found = _bands(windows, fit, windows.at_s, edges)
    return [{"from_s": low, "to_s": high, **band} for low, high, band in found]


def _bands(
    windows: Windows, fit: RideFit, position: Array, edges: tuple[int, ...]
) -> Iterator[tuple[int, int, Band]]:
    for low, high in pairwise(edges):
        inside = fit.kept & (position >= low) & (position < high)
        if inside.sum() >= _FEWEST_WINDOWS:
            yield low, high, _ratio(windows.subset(inside), fit)


def _ratio(windows: Windows, fit: RideFit) -> Band:
    """Return seconds, mean powers, the ratio as shown and with the zero part taken out."""
    from scipy.special import stdtrit

    seconds = windows.seconds
    total = float(np.sum(seconds * windows.reference_w))
    shown = float(np.sum(seconds * windows.meter_w)) / total
    without_zero = windows.meter_w - fit.constant_part(windows.omega)
    ratio = float(np.sum(seconds * without_zero)) / total
    left = seconds * (without_zero - ratio * windows.reference_w)
    n = len(seconds)
    u = float(np.sqrt(np.sum(np.square(left)) * n / (n - 1))) / total
    half = 100 * u * float(stdtrit(n - 1, 0.95))
    percent = 100 * (ratio - 1)
    return {
        "used_s": int(seconds.sum()),
        "meter_w": float(np.average(windows.meter_w, weights=seconds)),
        "reference_w": float(np.average(windows.reference_w, weights=seconds)),
        "ratio_pct": 100 * (shown - 1),
        "gain_ratio_pct": percent,
        "gain_ratio_interval90_pct": [percent - half, percent + half],
    }
