"""The ratio of a pair by power, by cadence and through the ride."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from models.metrology import Array
from models.rides.alignment import RADIANS_PER_SECOND, Windows
from models.rides.gain_fit import RideFit

POWER_EDGES_W = (0, 100, 150, 200, 250, 300, 350, 400, 500, 700, 3000)
CADENCE_EDGES_RPM = (0, 60, 70, 80, 90, 100, 110, 250)
STRETCH_S = 600
_FEWEST_WINDOWS = 4


@dataclass(frozen=True)
class Trend:
    """Change of the ratio over the ride, percent, with its standard uncertainty."""

    change_pct: float
    u_change_pct: float


def by_power_band(windows: Windows, fit: RideFit) -> list[dict[str, object]]:
    """One entry a band that holds enough windows; from_w, to_w are edges of reference power."""
    return _bands(windows, fit, windows.reference_w, POWER_EDGES_W, "w")


def by_cadence_band(windows: Windows, fit: RideFit) -> list[dict[str, object]]:
    """One entry a band of cadence."""
    cadence = windows.omega / RADIANS_PER_SECOND
    return _bands(windows, fit, cadence, CADENCE_EDGES_RPM, "rpm")


def by_time(windows: Windows, fit: RideFit) -> list[dict[str, object]]:
    """One entry for each ten minutes from the first common second: from_s, to_s."""
    last = float(windows.at_s[-1]) if len(windows) else 0.0
    edges = tuple(range(0, int(last) + STRETCH_S + 1, STRETCH_S))
    return _bands(windows, fit, windows.at_s, edges, "s")


def trend(windows: Windows, fit: RideFit) -> Trend:
    """Straight-line change of the ratio from the first to the last window."""
    kept = fit.kept
    span = float(np.ptp(windows.at_s[kept])) if kept.sum() > 2 else 0.0
    if span <= 0:
        return Trend(0.0, float("inf"))
    when = (windows.at_s[kept] - windows.at_s[kept].mean()) / span
    x = when * windows.reference_w[kept]
    weight = 1.0 / np.square(fit.sd_w[kept])
    information = float(np.sum(weight * x * x))
    change = float(np.sum(weight * x * fit.residual[kept])) / information
    scores = weight * x * (fit.residual[kept] - change * x)
    # neighbouring windows share their wander: sums over six of them
    sums = np.add.reduceat(scores, np.arange(0, len(scores), 6))
    u = float(np.sqrt(np.sum(np.square(sums)))) / information
    return Trend(100 * change, 100 * u)


def _bands(
    windows: Windows, fit: RideFit, position: Array, edges: tuple[int, ...], unit: str
) -> list[dict[str, object]]:
    entries: list[dict[str, object]] = []
    for low, high in pairwise(edges):
        inside = fit.kept & (position >= low) & (position < high)
        if inside.sum() >= _FEWEST_WINDOWS:
            entry: dict[str, object] = {f"from_{unit}": low, f"to_{unit}": high}
            entries.append(entry | _ratio(windows.subset(inside), fit))
    return entries


def _ratio(windows: Windows, fit: RideFit) -> dict[str, object]:
    """Seconds, mean powers, ratio as shown, and with the zero part taken out (± 90 %)."""
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
