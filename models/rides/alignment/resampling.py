"""A recording resampled to one value a second, so that two of them can be compared."""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from ingest.schema import UserError
from models.metrology import Array

LONGEST_BRIDGED_S = 2.5  # a single missing record is interpolated, a longer hole is a gap
MOST_SECONDS = 40 * 86_400  # a longer recording is a damaged clock


class CannotCompareError(UserError):
    """The two recordings cannot be compared; the message says why and what to do."""


class NoOverlap(CannotCompareError):  # noqa: N818 - says what happened
    """The two recordings share no time."""


@dataclass(frozen=True)
class Resampled:
    """One recording at 1 Hz; not recorded: nan.

    start_s      of sample 0, seconds on the clock that both recordings are placed on
    power_w      (n,)
    cadence_rpm  (n,), all nan where the recording carries none
    celsius      (n,) temperature
    """

    start_s: float
    power_w: Array
    cadence_rpm: Array
    celsius: Array

    @property
    def end_s(self) -> float:
        """Instant of the last sample, s."""
        return self.start_s + len(self.power_w) - 1

    @property
    def instants(self) -> Array:
        """Instant of each sample (n,), s."""
        return self.start_s + np.arange(len(self.power_w), dtype=np.float64)

    @property
    def has_cadence(self) -> bool:
        """Whether at least half of the seconds under power carry a cadence."""
        under_power = self.power_w > 0
        known = np.isfinite(self.cadence_rpm) & under_power
        return bool(known.sum() > 0.5 * max(1, under_power.sum()))

    def from_zero(self) -> "Resampled":
        """Return the same, counted from its own first sample."""
        return replace(self, start_s=0.0)

    def at(self, instants: Array, values: Array) -> Array:
        """Return `values` (n,) of this recording at instants, s, linear between neighbours."""
        position = instants - self.start_s
        n = len(values)
        low = np.clip(np.floor(position).astype(np.int64), 0, max(n - 2, 0))
        share = position - low
        high = np.minimum(low + 1, n - 1)
        # on a sample the neighbour does not matter, not even if it is unknown
        upper = np.where(share < 1e-6, values[low], values[high])
        lower = np.where(share > 1 - 1e-6, values[high], values[low])
        blended = lower + share * (upper - lower)
        return np.where((position < -1e-6) | (position > n - 1 + 1e-6), np.nan, blended)


def resample(frame: pl.DataFrame, *, name: str) -> Resampled:
    """Return a recording at 1 Hz.

    frame: one row a record (time, power_w, cadence_rpm, temperature_c); name: for messages

    `time` is pl.Datetime or float seconds. Records need be neither sorted nor regular; faster
    ones are averaged into seconds, holes up to 2.5 s (or one and a half of the recording's
    own interval, up to 10 s) interpolated, longer ones left unknown. Raises CannotCompareError
    for a recording without power, or over more than 40 days.
    """
    records = _records(frame, name)
    seconds = records["seconds"].to_numpy()
    interval = float(np.median(np.diff(seconds))) if len(seconds) > 1 else 1.0
    if 0 < interval < 0.75:
        records = _averaged(records)
        seconds, interval = records["seconds"].to_numpy(), 1.0
    start = _phase(seconds)
    grid = start + np.arange(int(np.floor(seconds[-1] - start + 1e-6)) + 1, dtype=np.float64)
    bridge = min(10.0, max(LONGEST_BRIDGED_S, 1.5 * interval))
    columns = (
        _on_grid(grid, seconds, records[column].to_numpy(), bridge)
        for column in ("power_w", "cadence_rpm", "temperature_c")
    )
    return Resampled(start, *columns)


def _records(frame: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return seconds, power_w, cadence_rpm, temperature_c: sorted, one record an instant."""
    time = frame["time"]
    if time.dtype.is_temporal():
        seconds = time.cast(pl.Datetime("us", time_zone(time))).dt.epoch("us") / 1e6
    else:
        seconds = time.cast(pl.Float64)
    wanted = {
        column: frame[column].cast(pl.Float64).fill_null(float("nan"))
        if column in frame.columns
        else pl.Series([float("nan")] * frame.height, dtype=pl.Float64)
        for column in ("power_w", "cadence_rpm", "temperature_c")
    }
    records = pl.DataFrame({"seconds": seconds, **wanted}).filter(
        pl.col("seconds").is_not_null() & pl.col("seconds").is_finite()
    )
    records = records.unique("seconds", keep="last").sort("seconds")
    if records["power_w"].is_finite().sum() == 0:
        raise CannotCompareError(f"The {name}'s recording holds no power.")
    if records["seconds"][-1] - records["seconds"][0] > MOST_SECONDS:
        raise CannotCompareError(
            f"The {name}'s recording spans more than {MOST_SECONDS // 86_400} days: "
            "its time column is damaged or not in seconds."
        )
    return records


def time_zone(time: pl.Series) -> str | None:
    """Return the time zone of a temporal column, None for a naive one."""
    return getattr(time.dtype, "time_zone", None)


def is_naive(time: pl.Series) -> bool:
    """Return whether a temporal column names no time zone (it is then read as UTC)."""
    return time_zone(time) is None


def _averaged(records: pl.DataFrame) -> pl.DataFrame:
    """Return means over whole seconds, stamped with the mean instant."""
    columns = [pl.col(c).fill_nan(None) for c in records.columns]
    binned = records.select(columns).group_by(pl.col("seconds").floor().alias("second"))
    return (
        binned.agg(pl.col("*").mean())
        .sort("second")
        .drop("second")
        .with_columns(pl.col("*").fill_null(float("nan")))
    )


def _phase(seconds: Array) -> float:
    """Return the first instant: where in the second most records fall, so that few are moved."""
    turns = np.exp(2j * np.pi * (seconds - seconds[0]))
    shift = float(np.angle(turns.mean()) / (2 * np.pi)) if abs(turns.mean()) > 0.5 else 0.0
    start = float(seconds[0]) + shift
    return start if abs(shift) > 1e-3 else float(seconds[0])


def _on_grid(grid: Array, seconds: Array, values: Array, bridge: float) -> Array:
    known = np.isfinite(values)
    if not known.any():
        return np.full(len(grid), np.nan)
    at, value = seconds[known], values[known]
    shown = np.interp(grid, at, value)
    after = np.clip(np.searchsorted(at, grid - 1e-6), 0, len(at) - 1)
    before = np.clip(np.searchsorted(at, grid + 1e-6, side="right") - 1, 0, len(at) - 1)
    inside = (at[after] - at[before] <= bridge) & (grid >= at[0] - 0.5) & (grid <= at[-1] + 0.5)
    return np.where(inside, shown, np.nan)
