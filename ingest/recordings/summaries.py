"""The summary of a recording, on which pairing, device metadata and ledgers rest."""

from datetime import UTC, datetime
from typing import Annotated, TypedDict, cast

import numpy as np
import polars as pl

from ingest.readers import Device, Numbers, Recording, ZeroReading
from ingest.schema import frame_schema

BEST_S = (5, 60, 300, 1200)
HOLD_S = 5.0
"""A sample stands until the next one, at most this long; the rest of a gap counts for nothing."""
TRACE_STEP_S = 30
LONGEST_GRID_S = 14 * 86_400


class RideNumbers(TypedDict):
    """What a ride amounts to.

    started_at, ended_at             None without dates
    duration_s                       first to last sample
    mean_power_w, max_power_w        over the samples that have power
    best_5_s_w … best_1200_s_w       highest mean of that many seconds in a row, a gap counting as
                                     0 W (common practice); None when the ride is shorter
    mean_cadence_rpm                 while turning
    """

    started_at: datetime | None
    ended_at: datetime | None
    duration_s: float | None
    samples: int | None
    power_samples: int | None
    mean_power_w: float | None
    max_power_w: float | None
    energy_kj: float | None
    best_5_s_w: float | None
    best_60_s_w: float | None
    best_300_s_w: float | None
    best_1200_s_w: float | None
    mean_cadence_rpm: float | None
    mean_temperature_c: float | None
    crank_length_mm: float | None


class RecordingSummary(RideNumbers):
    """The summary of a recording that could be read; `trace_w` is the mean power of every half

    minute from `trace_started_at` on, None without dates or power.
    """

    name: str
    sha256: str
    decoder: str | None
    partial: str | None
    notices: list[str] | None
    devices: list[Device] | None
    zeros: list[ZeroReading] | None
    trace_started_at: datetime | None
    trace_w: Annotated[list[float | None] | None, pl.List(pl.Float32())]


class Summary(RecordingSummary):
    """One file. Of an unreadable one all but path, name, sha256, status and error is None.

    status  read, known (its content was in already), repeated (the content of an earlier file of
            the same call) or unreadable
    """

    path: str
    bytes: int | None
    status: str
    error: str | None


SUMMARY_SCHEMA = frame_schema(Summary)
"""Columns of a frame of summaries: one row a file."""


def summary_rows(summaries: pl.DataFrame) -> list[Summary]:
    """Return the rows of a frame with the columns of SUMMARY_SCHEMA."""
    return cast(list[Summary], summaries.to_dicts())


def ride_numbers(recording: Recording) -> RideNumbers:
    """Return what a recording amounts to."""
    frame = recording.frame
    seconds, power = _seconds(frame), frame["power_w"].to_numpy()
    known = np.isfinite(power)
    cadence, temperature = frame["cadence_rpm"].to_numpy(), frame["temperature_c"].to_numpy()
    started_at, ended_at = _ends(frame)
    best = _best(seconds[known], power[known])
    return {
        "started_at": started_at,
        "ended_at": ended_at,
        "duration_s": float(seconds[-1] - seconds[0]) if len(seconds) else 0.0,
        "samples": frame.height,
        "power_samples": int(known.sum()),
        "mean_power_w": _mean(power[known]),
        "max_power_w": float(power[known].max()) if known.any() else None,
        "energy_kj": _energy_kj(seconds, power) if known.any() else None,
        "best_5_s_w": best.get(5),
        "best_60_s_w": best.get(60),
        "best_300_s_w": best.get(300),
        "best_1200_s_w": best.get(1200),
        "mean_cadence_rpm": _mean(cadence[cadence > 0]),
        "mean_temperature_c": _mean(temperature[np.isfinite(temperature)]),
        "crank_length_mm": recording.crank_length_mm,
    }


def summary_of(recording: Recording) -> RecordingSummary:
    """Return the summary of a recording; of devices that differ in time alone only the first."""
    started_at, trace = _trace(recording)
    besides_time = [name for name in recording.devices.columns if name != "at"]
    distinct = recording.devices.unique(besides_time, keep="first", maintain_order=True)
    return {
        "name": recording.name,
        "sha256": recording.sha256,
        "decoder": recording.decoder,
        "partial": recording.partial,
        "notices": list(recording.notices),
        **ride_numbers(recording),
        "devices": cast(list[Device], distinct.to_dicts()),
        "zeros": cast(list[ZeroReading], recording.zeros.to_dicts()),
        "trace_started_at": started_at,
        "trace_w": trace,
    }


def _mean(numbers: Numbers) -> float | None:
    return float(numbers.mean()) if len(numbers) else None


def _seconds(frame: pl.DataFrame) -> Numbers:
    """Return Unix seconds, or seconds from any start."""
    time = frame["time"]
    return time.to_physical().to_numpy() / 1e6 if time.dtype.is_temporal() else time.to_numpy()


def _ends(frame: pl.DataFrame) -> tuple[datetime | None, datetime | None]:
    if frame.is_empty() or not frame["time"].dtype.is_temporal():
        return None, None
    return frame["time"][0], frame["time"][-1]


def _energy_kj(seconds: Numbers, power: Numbers) -> float:
    """Return the work: a sample stands until the next one, the last as long as is usual."""
    lasts = np.minimum(np.diff(seconds, append=np.nan), HOLD_S)
    lasts[-1] = np.median(lasts[:-1]) if len(lasts) > 1 else 1.0
    return float(np.nansum(power * lasts) / 1000)


def _best(seconds: Numbers, power: Numbers) -> dict[int, float]:
    """Return the highest mean power over each of BEST_S, on a grid of whole seconds."""
    if len(seconds) < 2 or seconds[-1] - seconds[0] > LONGEST_GRID_S:
        return {}
    total = np.concatenate([[0.0], np.cumsum(_on_whole_seconds(seconds, power))])
    return {
        length: float((total[length:] - total[:-length]).max() / length)
        for length in BEST_S
        if len(total) > length
    }


def _on_whole_seconds(seconds: Numbers, power: Numbers) -> Numbers:
    """Return the power at each whole second: the last sample if no older than HOLD_S, else 0."""
    grid = np.arange(np.floor(seconds[0]), np.floor(seconds[-1]) + 1)
    latest = np.searchsorted(seconds, grid + 1, side="left") - 1
    fresh = grid - seconds[latest] < HOLD_S
    return np.where(fresh, power[latest], 0.0)


def _trace(recording: Recording) -> tuple[datetime | None, list[float | None] | None]:
    """Return the start and the mean power of each half minute of the clock; None without dates."""
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
