"""What a recording amounts to: its summary, on which pairing, harvest and ledgers rest."""

from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl

from ingest.readers import DEVICE_SCHEMA, ZERO_SCHEMA, Numbers, Recording

BEST_S = (5, 60, 300, 1200)
HOLD_S = 5.0
"""A sample stands until the next one, at most this long; the rest of a gap counts for nothing."""
TRACE_STEP_S = 30
LONGEST_GRID_S = 14 * 86_400

_INSTANT = pl.Datetime("us", "UTC")
SUMMARY_SCHEMA: dict[str, Any] = {
    "path": pl.String,
    "name": pl.String,
    "sha256": pl.String,
    "bytes": pl.Int64,
    "status": pl.String,  # read, known, repeated, unreadable
    "error": pl.String,  # why it is unreadable
    "decoder": pl.String,
    "partial": pl.String,
    "notices": pl.List(pl.String),
    "started_at": _INSTANT,  # null for a recording without dates
    "ended_at": _INSTANT,
    "duration_s": pl.Float64,
    "samples": pl.Int64,
    "power_samples": pl.Int64,
    "mean_power_w": pl.Float64,
    "max_power_w": pl.Float64,
    "energy_kj": pl.Float64,
    "best_5_s_w": pl.Float64,
    "best_60_s_w": pl.Float64,
    "best_300_s_w": pl.Float64,
    "best_1200_s_w": pl.Float64,
    "mean_cadence_rpm": pl.Float64,
    "mean_temperature_c": pl.Float64,
    "crank_length_mm": pl.Float64,
    "devices": pl.List(pl.Struct(DEVICE_SCHEMA)),
    "zeros": pl.List(pl.Struct(ZERO_SCHEMA)),
    "trace_started_at": _INSTANT,
    "trace_w": pl.List(pl.Float32),
}
"""One row a file. `trace_w` is the mean power of every half minute from `trace_started_at`."""


def summarise(recording: Recording) -> dict[str, Any]:
    """What a recording amounts to.

    Out  started_at, ended_at (None without dates), duration_s (first to last sample), samples,
         power_samples, mean_power_w and max_power_w (over the samples that have power),
         energy_kj, best_5_s_w … best_1200_s_w (highest mean of that many seconds in a row, a
         gap counting as 0 W: common practice; None when the ride is shorter),
         mean_cadence_rpm (while turning), mean_temperature_c, crank_length_mm
    """
    frame = recording.frame
    seconds, power = _seconds(frame), frame["power_w"].to_numpy()
    known = np.isfinite(power)
    cadence, temperature = frame["cadence_rpm"].to_numpy(), frame["temperature_c"].to_numpy()
    ends = _ends(frame)
    return {
        "started_at": ends[0],
        "ended_at": ends[1],
        "duration_s": float(seconds[-1] - seconds[0]) if len(seconds) else 0.0,
        "samples": frame.height,
        "power_samples": int(known.sum()),
        "mean_power_w": _mean(power[known]),
        "max_power_w": float(power[known].max()) if known.any() else None,
        "energy_kj": _energy_kj(seconds, power) if known.any() else None,
        **_best(seconds[known], power[known]),
        "mean_cadence_rpm": _mean(cadence[cadence > 0]),
        "mean_temperature_c": _mean(temperature[np.isfinite(temperature)]),
        "crank_length_mm": recording.crank_length_mm,
    }


def summary_row(recording: Recording) -> dict[str, Any]:
    """`summarise` with the recording's identity and what pairing and harvest need."""
    started_at, trace = _trace(recording)
    distinct: dict[tuple[Any, ...], dict[str, Any]] = {}
    for device in recording.devices.iter_rows(named=True):
        distinct.setdefault(
            tuple(device.values())[1:], device
        )  # the first of what only differs in time
    return {
        "name": recording.name,
        "sha256": recording.sha256,
        "decoder": recording.decoder,
        "partial": recording.partial,
        "notices": list(recording.notices),
        **summarise(recording),
        "devices": list(distinct.values()),
        "zeros": recording.zeros.to_dicts(),
        "trace_started_at": started_at,
        "trace_w": trace,
    }


def _mean(numbers: Numbers) -> float | None:
    return float(numbers.mean()) if len(numbers) else None


def _seconds(frame: pl.DataFrame) -> Numbers:
    """Unix seconds, or seconds from any start."""
    time = frame["time"]
    return time.to_physical().to_numpy() / 1e6 if time.dtype.is_temporal() else time.to_numpy()


def _ends(frame: pl.DataFrame) -> tuple[datetime | None, datetime | None]:
    if frame.is_empty() or not frame["time"].dtype.is_temporal():
        return None, None
    return frame["time"][0], frame["time"][-1]


def _energy_kj(seconds: Numbers, power: Numbers) -> float:
    """Work, a sample standing until the next one; the last as long as the one before."""
    lasts = np.minimum(np.diff(seconds, append=np.nan), HOLD_S)
    lasts[-1] = np.median(lasts[:-1]) if len(lasts) > 1 else 1.0
    return float(np.nansum(power * lasts) / 1000)


def _best(seconds: Numbers, power: Numbers) -> dict[str, float | None]:
    """The highest mean power over each of BEST_S, on a grid of whole seconds."""
    best: dict[str, float | None] = {f"best_{length}_s_w": None for length in BEST_S}
    if len(seconds) < 2 or seconds[-1] - seconds[0] > LONGEST_GRID_S:
        return best
    total = np.concatenate([[0.0], np.cumsum(_on_whole_seconds(seconds, power))])
    for length in BEST_S:
        if len(total) > length:
            best[f"best_{length}_s_w"] = float((total[length:] - total[:-length]).max() / length)
    return best


def _on_whole_seconds(seconds: Numbers, power: Numbers) -> Numbers:
    """Power at each whole second: the last sample if no older than HOLD_S, else 0."""
    grid = np.arange(np.floor(seconds[0]), np.floor(seconds[-1]) + 1)
    latest = np.searchsorted(seconds, grid + 1, side="left") - 1
    fresh = grid - seconds[latest] < HOLD_S
    return np.where(fresh, power[latest], 0.0)


def _trace(recording: Recording) -> tuple[datetime | None, list[float | None] | None]:
    """Mean power of each half minute of the clock, from the one that holds the start."""
    frame = recording.frame
    if not recording.dated or frame["power_w"].null_count() == frame.height:
        return None, None
    seconds, power = _seconds(frame), frame["power_w"].to_numpy()
    bins = (seconds // TRACE_STEP_S).astype(np.int64)
    first, known = int(bins[0]), np.isfinite(power)
    if seconds[-1] - seconds[0] > LONGEST_GRID_S:
        return None, None
    count = np.bincount(bins[known] - first)
    total = np.bincount(bins[known] - first, weights=power[known])
    means = [float(t / n) if n else None for t, n in zip(total, count, strict=True)]
    return datetime.fromtimestamp(first * TRACE_STEP_S, tz=UTC), means
