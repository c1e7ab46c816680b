"""Two recordings as one aligned pair: one clock, one smoothing, and which seconds count."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.metrology import Array, Mask
from models.rides.alignment.averaging_windows import RADIANS_PER_SECOND, Seconds
from models.rides.alignment.clocks import Alignment, align
from models.rides.alignment.exclusions import UNUSABLE, Exclusions, exclude_starts, screen
from models.rides.alignment.holes import runs
from models.rides.alignment.resampling import Resampled, is_naive, resample
from models.rides.alignment.smoothing import Bare, Matched, match, smoothed, tuned
from models.wording import Reason

SETTLE_S = 3  # after coasting: a standing start is no steady riding
_BRIDGED_S = 2  # spikes and holes up to this are bridged before smoothing, not used
_CADENCE_BRIDGED_S = 5


@dataclass(frozen=True)
class AlignedPair:
    """A pair second by second on the meter's clock, (n,) each.

    instants               seconds on the meter's clock
    meter_w, reference_w   as recorded, the reference moved by lag and drift; nan where unknown
    cadence_rpm            the meter's, else the reference's; None where neither has one
    celsius                the meter's temperature
    inside                 seconds that lie within both recordings
    matched                both powers with the same smoothing
    excluded               why a second does not count
    shared_clock           whether instants are stamps that both recordings share
    notes                  what a reader should know of the clocks
    """

    instants: Array
    meter_w: Array
    reference_w: Array
    cadence_rpm: Array | None
    celsius: Array
    inside: Mask
    alignment: Alignment
    matched: Matched
    excluded: Exclusions
    shared_clock: bool
    notes: tuple[Reason, ...]

    def seconds(self) -> Seconds:
        """Return what the windows are cut from."""
        omega = _omega(self.meter_w, self.cadence_rpm)
        if self.matched.side == "meter":
            omega = np.nan_to_num(smoothed(omega, self.matched.kernel))
        return Seconds(
            np.nan_to_num(self.matched.meter_w),
            np.nan_to_num(self.matched.reference_w),
            omega,
            self.matched.change_w,
            self.excluded.used,
        )


def align_pair(meter: pl.DataFrame, reference: pl.DataFrame) -> AlignedPair:
    """Return a pair of recordings' frames aligned, equally smoothed and screened.

    meter, reference: one row a record, as `resample` takes them
    Raises NoOverlap where they share no time, CannotCompareError where one is unusable.
    """
    first, second, shared_clock, notes = _resampled(meter, reference)
    alignment = align(first, second, shared_clock=shared_clock)
    instants = first.instants
    stamps = alignment.reference_instants(instants)
    reference_w = second.at(stamps, second.power_w)
    cadence = _cadence(first, second, stamps)
    inside = (stamps >= second.start_s - 0.5) & (stamps <= second.end_s + 0.5)
    excluded = screen(first.power_w, reference_w, cadence)
    excluded.exclude(alignment.is_doubtful(instants), "other_lag")
    matched, late = _matched(first, second, stamps, cadence, excluded)
    if alignment.lag_s is not None:
        alignment = alignment.later(late)
    stamps = alignment.reference_instants(instants)
    exclude_starts(excluded, settle_s=SETTLE_S, reach_s=matched.reach_s)
    known = np.isfinite(matched.meter_w) & np.isfinite(matched.reference_w)
    excluded.exclude(~known, "beside_a_hole")
    excluded.exclude(~inside, "beside_a_hole")
    return AlignedPair(
        instants=instants,
        meter_w=first.power_w,
        reference_w=second.at(stamps, second.power_w),
        cadence_rpm=cadence,
        celsius=first.celsius,
        inside=inside,
        alignment=alignment,
        matched=matched,
        excluded=excluded,
        shared_clock=shared_clock,
        notes=(*notes, *alignment.notes),
    )


def _resampled(
    meter: pl.DataFrame, reference: pl.DataFrame
) -> tuple[Resampled, Resampled, bool, list[Reason]]:
    """Return both at 1 Hz on one clock where there is one, else each from its own start."""
    stamped = [frame["time"].dtype.is_temporal() for frame in (meter, reference)]
    first, second = resample(meter, name="meter"), resample(reference, name="reference")
    notes: list[Reason] = []
    if stamped[0] != stamped[1]:
        which = "reference" if stamped[0] else "meter"
        notes.append(Reason("clocks_undated", which=which))
        return first.from_zero(), second.from_zero(), False, notes
    if all(stamped) and is_naive(meter["time"]) != is_naive(reference["time"]):
        which = "meter" if is_naive(meter["time"]) else "reference"
        notes.append(Reason("zone_assumed", which=which))
    return first, second, True, notes


def _cadence(meter: Resampled, reference: Resampled, stamps: Array) -> Array | None:
    """Return the cadence, rpm, at each second from the recording that has it; holes bridged."""
    if meter.has_cadence:
        cadence = meter.cadence_rpm.copy()
    elif reference.has_cadence:
        cadence = reference.at(stamps, reference.cadence_rpm)
    else:
        return None
    # cranks that turn give power: a zero beside power is a cadence not received
    cadence[(cadence <= 0) & (meter.power_w > 0)] = np.nan
    return _bridge(cadence, _CADENCE_BRIDGED_S)


def _matched(
    meter: Resampled,
    reference: Resampled,
    stamps: Array,
    cadence: Array | None,
    excluded: Exclusions,
) -> tuple[Matched, float]:
    """Return both powers equally smoothed, and how much later, s, the reference turned out."""
    unusable = np.isin(excluded.reason, UNUSABLE)
    meter_w = _bridge(np.where(unusable, np.nan, meter.power_w), _BRIDGED_S)
    omega = _omega(meter_w, cadence)
    late = 0.0
    for _ in range(4):
        shown = reference.at(stamps + late, reference.power_w)
        shown = _bridge(np.where(unusable, np.nan, shown), _BRIDGED_S)
        bare = Bare(meter_w, shown, omega)
        matched = match(bare)
        if abs(matched.late_s) < 0.05 or abs(late + matched.late_s) > 15:
            break
        late += matched.late_s
    matched = tuned(matched, bare)
    return matched, late + matched.late_s


def _omega(meter_w: Array, cadence_rpm: Array | None) -> Array:
    """Return the angular velocity, rad/s, while there is power, else 0.

    Without cadence 1 while there is power: the zero part is then in watts.
    """
    turning = meter_w > 0
    if cadence_rpm is None:
        return turning.astype(np.float64)
    omega = np.where(turning, cadence_rpm, 0.0) * RADIANS_PER_SECOND
    return np.where(np.isfinite(omega), omega, 0.0)


def _bridge(values: Array, longest: int) -> Array:
    """Return values with holes of up to `longest` seconds interpolated."""
    bridged = values.copy()
    for first, last in runs(~np.isfinite(values)):
        if last - first <= longest and first > 0 and last < len(values):
            ends = values[first - 1], values[last]
            bridged[first - 1 : last + 1] = np.linspace(*ends, last - first + 2)
    return bridged
