"""Which seconds of an aligned pair count, and why the others do not."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.metrology import MAD_TO_SD, Array, Mask
from models.rides.alignment.holes import LONG_S, runs

# In order of precedence: a second carries the first reason that applies.
REASONS = (
    "meter_gap",
    "reference_gap",
    "other_lag",
    "implausible",
    "coasting",
    "meter_dropout",
    "reference_dropout",
    "stuck",
    "spike",
    "no_cadence",
    "weak_pedalling",
    "start",
    "beside_a_hole",
    "transient",
    "disagreement",
    "fragment",
)
# Seconds whose power must not leak into their neighbours when a trace is smoothed.
UNUSABLE = (
    "meter_gap",
    "reference_gap",
    "other_lag",
    "implausible",
    "meter_dropout",
    "reference_dropout",
    "stuck",
    "spike",
)
HIGHEST_W = 3000.0
WEAK_W = 30.0  # below, zero suppression and dead bands of the devices rule
_SPIKE_W = 60.0  # and six times the local spread above the neighbours


@dataclass
class Exclusions:
    """A reason for each second (n,), "" where it is used."""

    reason: NDArray[np.object_]

    @classmethod
    def none(cls, n: int) -> "Exclusions":
        return cls(np.full(n, "", dtype=object))

    @property
    def used(self) -> Mask:
        return np.asarray(self.reason == "", dtype=bool)

    def exclude(self, seconds: Mask, reason: str) -> None:
        """Give a reason to those seconds that have none yet."""
        self.reason[seconds & self.used] = reason

    def seconds(self, inside: Mask) -> dict[str, int]:
        """Return the seconds per reason among `inside`, in the order of REASONS."""
        counted = {reason: int(np.sum(inside & (self.reason == reason))) for reason in REASONS}
        return {reason: n for reason, n in counted.items() if n}


def screen(meter_w: Array, reference_w: Array, cadence_rpm: Array | None) -> Exclusions:
    """Return the reasons before any fit: gaps, zeros, stuck values, spikes, weak pedalling.

    meter_w, reference_w  (n,) W on the meter's clock, nan where unknown
    cadence_rpm           (n,) or None where neither recording carries one
    """
    found = Exclusions.none(len(meter_w))
    found.exclude(~np.isfinite(meter_w), "meter_gap")
    found.exclude(~np.isfinite(reference_w), "reference_gap")
    for power in (meter_w, reference_w):
        found.exclude((power < 0) | (power > HIGHEST_W), "implausible")
    _zeros(found, meter_w, reference_w, cadence_rpm)
    for power, other in ((meter_w, reference_w), (reference_w, meter_w)):
        found.exclude(_stuck(power, other), "stuck")
        found.exclude(_spikes(power, other), "spike")
    if cadence_rpm is not None:
        found.exclude(~(cadence_rpm > 0), "no_cadence")
    found.exclude((meter_w < WEAK_W) | (reference_w < WEAK_W), "weak_pedalling")
    return found


def exclude_starts(found: Exclusions, *, settle_s: int, reach_s: int) -> None:
    """Take out the seconds around coasting: smoothing mixes them, starts are no steady riding.

    settle_s  after coasting; reach_s: of the smoothing, before it and after every hole
    """
    coasting = found.reason == "coasting"
    found.exclude(_widened(coasting, before=reach_s, after=settle_s + reach_s), "start")


def _zeros(
    found: Exclusions, meter_w: Array, reference_w: Array, cadence_rpm: Array | None
) -> None:
    """Mark coasting where both show nothing (or the cranks stand), drop-outs where one does."""
    meter_zero, reference_zero = meter_w <= 0, reference_w <= 0
    still = np.zeros(len(meter_w), dtype=bool) if cadence_rpm is None else cadence_rpm == 0
    still &= (meter_zero | reference_zero) & ~_one_sided(meter_w, reference_w)
    coasting = (meter_zero & reference_zero) | still
    found.exclude(coasting, "coasting")
    near_coasting = _widened(coasting, before=8, after=8)
    for zero, name in ((meter_zero, "meter_dropout"), (reference_zero, "reference_dropout")):
        for first, last in runs(zero & ~coasting):
            beside = near_coasting[first:last].any() and last - first < LONG_S
            inside = np.zeros(len(zero), dtype=bool)
            inside[first:last] = True
            found.exclude(inside, "coasting" if beside else name)


def _one_sided(meter_w: Array, reference_w: Array) -> Mask:
    """Return long zeros of one trace beside pedalling in the other, whatever its cadence says."""
    found = np.zeros(len(meter_w), dtype=bool)
    for power, other in ((meter_w, reference_w), (reference_w, meter_w)):
        for first, last in runs((power <= 0) & (other > WEAK_W)):
            found[first:last] |= last - first >= LONG_S
    return found


def _stuck(power: Array, other: Array) -> Mask:
    """Return runs of one repeated value while the other recording moves."""
    same = np.zeros(len(power), dtype=bool)
    same[1:] = (power[1:] == power[:-1]) & (power[1:] > 0)
    stuck = np.zeros(len(power), dtype=bool)
    moving = power > 0
    share = float(same.sum() / max(1, moving.sum()))
    shortest = 4 if share < 0.15 else 9 if share < 0.4 else 20
    for first, last in runs(same):
        if last - first < shortest:
            continue
        beside = other[first - 1 : last]
        beside = beside[np.isfinite(beside)]
        if len(beside) and np.ptp(beside) > max(12.0, 0.06 * np.median(beside)):
            stuck[first - 1 : last] = True
    return stuck


def _spikes(power: Array, other: Array) -> Mask:
    """Return single seconds or pairs far above their neighbours, unless the other shows it too."""
    excess, spread = _above_neighbours(power)
    other_excess, _ = _above_neighbours(other)
    limit = np.maximum(_SPIKE_W, 6 * spread)
    return np.asarray((excess > limit) & ~(other_excess > 0.3 * excess), dtype=bool)


def _above_neighbours(power: Array) -> tuple[Array, Array]:
    """Return the departure from the median of the seven seconds around, and their robust spread."""
    padded = np.pad(power, 3, mode="edge")
    around = np.lib.stride_tricks.sliding_window_view(padded, 7)
    filled = np.where(np.isfinite(around), around, power[:, None])
    middle = np.median(filled, axis=1)
    spread = MAD_TO_SD * np.median(np.abs(filled - middle[:, None]), axis=1)
    return power - middle, spread


def _widened(condition: Mask, *, before: int, after: int) -> Mask:
    """Return each True spread over `before` seconds ahead of it and `after` seconds behind."""
    n = len(condition)
    total = np.concatenate([[0], np.cumsum(condition)])
    index = np.arange(n)
    low, high = np.clip(index - after, 0, n), np.clip(index + before + 1, 0, n)
    return np.asarray(total[high] > total[low])
