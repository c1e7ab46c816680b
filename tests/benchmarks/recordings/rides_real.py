"""A second meter made from real recordings: known gain, zero offset, lag, noise and smoothing.

python -m tests.benchmarks.recordings.rides_real FOLDER [PAIRS A RECORDING] [NOISE IN PERCENT]

FOLDER holds recordings (FIT, TCX, CSV, or Parquet with the frame's columns). They are people's
rides: none is kept here.
"""

import sys
from pathlib import Path

import numpy as np
import polars as pl

from ingest.readers import RecordingError, read_recording
from models.metrology import Array
from models.rides import CannotCompareError, compare_recordings
from models.rides.alignment.averaging_windows import RADIANS_PER_SECOND

FEWEST_RECORDS = 240  # of power above zero; four minutes at one a second


def recordings(folder: Path) -> dict[str, pl.DataFrame]:
    """Frames with enough power, one for each distinct ride."""
    found: dict[tuple[object, ...], tuple[str, pl.DataFrame]] = {}
    for file in sorted(folder.rglob("*")):
        frame = _frame(file)
        if frame is None or frame.filter(pl.col("power_w") > 0).height < FEWEST_RECORDS:
            continue
        power = frame["power_w"].drop_nulls()
        found.setdefault((frame["time"].min(), power.sum()), (file.name, frame))
    return dict(found.values())


def _frame(file: Path) -> pl.DataFrame | None:
    if file.suffix.lower() == ".parquet":
        return pl.read_parquet(file)
    if file.suffix.lower() not in (".fit", ".tcx", ".csv"):
        return None
    try:
        return read_recording(file).frame
    except RecordingError:
        return None


def made_pair(
    ride: pl.DataFrame, rng: np.random.Generator, noise_pct: float
) -> tuple[pl.DataFrame, pl.DataFrame, float, float]:
    """Meter, reference, true gain (%) and true lag with the smoothing's own delay (s)."""
    ride = ride.drop_nulls("time").sort("time").unique("time", maintain_order=True)
    seconds = (ride["time"].dt.epoch("us") / 1e6).to_numpy()
    power = ride["power_w"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    cadence = ride["cadence_rpm"].cast(pl.Float64).fill_null(0.0).to_numpy()
    gain, zero = rng.normal(0, 1.5), rng.normal(0, 0.25)
    lag, width = rng.uniform(-90, 90), int(rng.choice([1, 3, 5]))
    meter = np.where(
        power > 0, (1 + gain / 100) * power + zero * cadence * RADIANS_PER_SECOND, power
    )
    smooth = np.convolve(np.nan_to_num(power), np.ones(width) / width)[: len(power)]
    smooth = np.where(np.isfinite(power), smooth, np.nan)
    stamps, shown = _restamped(seconds + lag, smooth)
    frames = (
        _recorded(seconds, meter, noise_pct, rng).with_columns(cadence_rpm=ride["cadence_rpm"]),
        _recorded(stamps, shown, noise_pct, rng),
    )
    return *frames, float(gain), float(lag + (width - 1) / 2)


def _restamped(seconds: Array, power: Array) -> tuple[Array, Array]:
    """The reference on whole seconds of its own clock, holes left as they are."""
    known = np.isfinite(power)
    whole = np.arange(np.ceil(seconds[0]), np.floor(seconds[-1]) + 1)
    after = np.clip(np.searchsorted(seconds, whole), 1, len(seconds) - 1)
    inside = seconds[after] - seconds[after - 1] < 2
    return whole[inside], np.interp(whole[inside], seconds[known], power[known])


def _recorded(
    seconds: Array, power: Array, noise_pct: float, rng: np.random.Generator
) -> pl.DataFrame:
    noisy = power * (1 + rng.normal(0, noise_pct / 100, len(power)))
    shown = np.round(np.clip(noisy, 0, None))
    stamps = pl.Series((seconds * 1e6).astype(np.int64)).cast(pl.Datetime("us", "UTC"))
    return pl.DataFrame({"time": stamps, "power_w": pl.Series(shown).fill_nan(None)})


def main(folder: Path, pairs: int, noise_pct: float) -> None:
    pooled: list[float] = []
    covered: list[bool] = []
    for name, ride in recordings(folder).items():
        error, late = [], []
        for k in range(pairs):
            rng = np.random.default_rng([7, k])
            meter, reference, gain, lag = made_pair(ride, rng, noise_pct)
            try:
                found = compare_recordings(meter, reference)
            except CannotCompareError as problem:
                print(f"{name}: {problem}")
                continue
            interval = found.interval90_pct()
            if found.gain_ratio_pct is None or interval is None:
                continue
            error.append(found.gain_ratio_pct - gain)
            late.append((found.alignment.lag_s or np.inf) - lag)
            covered.append(interval[0] <= gain <= interval[1])
        pooled += error
        size, off = np.abs(error), np.abs(late)
        print(
            f"{name[:34]:34s} n {len(error)}  median {np.median(size):.3f} %  "
            f"95 % {np.quantile(size, 0.95):.3f} %  lag within {np.max(off):.2f} s"
        )
    size = np.abs(pooled)
    print(
        f"pooled: n {len(size)}  median {np.median(size):.3f} %  "
        f"95 % {np.quantile(size, 0.95):.3f} %  covered {100 * np.mean(covered):.1f} %"
    )


if __name__ == "__main__":
    given = sys.argv[1:]
    main(
        Path(given[0]),
        int(given[1]) if len(given) > 1 else 50,
        float(given[2]) if len(given) > 2 else 1.0,
    )
