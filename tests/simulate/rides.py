"""Pairs of recordings of one ride, with the truth known.

One rider's power and cadence are drawn on a fine clock; a meter and a reference each read
them with their own gain, zero offset, noise, smoothing, clock and mishaps. Nothing here knows
how the pair will be evaluated.
"""

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import numpy as np
import polars as pl

from models.metrology import Array

_FINE_HZ = 4
_MARGIN_S = 200  # of ride before and after, so that lagged clocks still see power
_START = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Sensor:
    """How one device reads: noise in percent of the power, smoothing in seconds."""

    white_pct: float = 1.0
    wander_pct: float = 0.15
    wander_s: float = 20.0
    smoothing: str = "none"  # none, boxcar, exponential
    smoothing_s: float = 0.0


@dataclass(frozen=True)
class Truth:
    """What the pair was made with; `lag_s` > 0: the reference stamps an instant later."""

    gain_pct: float = 1.5
    zero_offset_nm: float = 0.2
    lag_s: float = 12.3
    clock_drift_ppm: float = 0.0
    meter: Sensor = field(default_factory=Sensor)
    reference: Sensor = field(
        default_factory=lambda: Sensor(white_pct=0.8, smoothing="boxcar", smoothing_s=3)
    )


@dataclass(frozen=True)
class Mishaps:
    """What goes wrong: numbers of episodes, or seconds."""

    dropouts: int = 0
    spikes: int = 0
    stuck: int = 0
    gaps: int = 0
    late_start_s: float = 0.0


@dataclass(frozen=True)
class Pair:
    meter: pl.DataFrame
    reference: pl.DataFrame
    truth: Truth


def autoregressive(rng: np.random.Generator, n: int, tau: float, sd: float) -> Array:
    """Stationary first-order autoregression: correlation time `tau` in samples."""
    from scipy.signal import lfilter

    phi = np.exp(-1.0 / tau)
    shocks = rng.normal(0.0, sd * np.sqrt(1 - phi**2), n)
    shocks[0] = rng.normal(0.0, sd)
    return np.asarray(lfilter([1.0], [1.0, -phi], shocks), dtype=np.float64)


def step_ride(rng: np.random.Generator, seconds: float) -> tuple[Array, Array]:
    """Indoor steps of 2 to 5 minutes, 110 to 340 W: power (W) and cadence (rpm), 4 Hz."""
    n = int(seconds * _FINE_HZ)
    target, cadence = np.empty(n), np.empty(n)
    at = 0
    while at < n:
        length = int(rng.uniform(120, 300) * _FINE_HZ)
        target[at : at + length] = rng.uniform(110, 340)
        cadence[at : at + length] = rng.uniform(78, 100)
        at += length
    target = _soften(target, 1.5)
    power = target * np.exp(
        autoregressive(rng, n, 8 * _FINE_HZ, 0.03) + autoregressive(rng, n, 1 * _FINE_HZ, 0.03)
    )
    return power, _soften(cadence, 5) + autoregressive(rng, n, 10 * _FINE_HZ, 1.5)


def outdoor_ride(rng: np.random.Generator, seconds: float) -> tuple[Array, Array]:
    """Wandering power with coasting, corners, stops and sprints: power and cadence, 4 Hz."""
    n = int(seconds * _FINE_HZ)
    slow = autoregressive(rng, n, 180 * _FINE_HZ, 0.28)
    middle = autoregressive(rng, n, 25 * _FINE_HZ, 0.22)
    fast = autoregressive(rng, n, 2 * _FINE_HZ, 0.10)
    power = 205 * np.exp(slow + middle + fast)
    cadence = 86 + 20 * slow + autoregressive(rng, n, 40 * _FINE_HZ, 5)
    for _ in range(rng.poisson(seconds / 400)):  # sprints
        at, length = rng.integers(0, n), int(rng.uniform(6, 20) * _FINE_HZ)
        power[at : at + length] *= rng.uniform(1.8, 3.2)
        cadence[at : at + length] += 15
    effort = np.ones(n)
    for _ in range(rng.poisson(seconds / 110)):  # coasting, some of it a stop
        at, length = rng.integers(0, n), int(rng.exponential(10) * _FINE_HZ) + 8
        effort[at : at + length] = 0.0
    effort = np.clip(_soften(effort, 1.0) * 1.05 - 0.05, 0, 1)
    power = np.clip(power, 0, 1400) * effort
    cadence = np.clip(cadence, 45, 125) * np.where(effort > 0, 0.45 + 0.55 * effort, 0.0)
    return power, cadence


def simulate_pair(
    rng: np.random.Generator,
    truth: Truth,
    *,
    kind: str = "outdoor",
    minutes: float = 40.0,
    mishaps: Mishaps | None = None,
) -> Pair:
    """A meter's and a reference's recording at 1 Hz with whole-second time stamps."""
    seconds = minutes * 60 + 2 * _MARGIN_S
    ride = step_ride if kind == "steps" else outdoor_ride
    power, cadence = ride(rng, seconds)
    return pair_from_power(rng, power, cadence, truth, mishaps=mishaps or Mishaps())


def pair_from_power(
    rng: np.random.Generator,
    power: Array,
    cadence: Array,
    truth: Truth,
    *,
    mishaps: Mishaps,
    reference_power: Array | None = None,
) -> Pair:
    """Two recordings of the given power (W) and cadence (rpm) on the 4 Hz clock.

    reference_power: what the reference makes of it, where that is not the power itself
    """
    omega = cadence * 2 * np.pi / 60
    meter_w = (1 + truth.gain_pct / 100) * power + truth.zero_offset_nm * omega
    meter_w = np.where((power > 0) & (omega > 0), meter_w, 0.0)
    read_meter = _smoothed(meter_w, truth.meter)
    seen = power if reference_power is None else reference_power
    read_reference = _smoothed(seen, truth.reference)

    duration = len(power) / _FINE_HZ - 2 * _MARGIN_S
    clock = np.arange(duration)
    middle = duration / 2
    # the reference stamps the instant t as t + lag + drift
    instant = (clock - truth.lag_s + truth.clock_drift_ppm * 1e-6 * middle) / (
        1 + truth.clock_drift_ppm * 1e-6
    )
    first = rng.integers(0, max(1, int(mishaps.late_start_s) + 1))
    meter = _recording(rng, clock, _at(read_meter, clock), _at(cadence, clock), truth.meter)
    reference = _recording(
        rng, clock, _at(read_reference, instant), _at(cadence, instant), truth.reference
    )[first:]
    return Pair(_with_mishaps(rng, meter, mishaps), _with_mishaps(rng, reference, mishaps), truth)


def random_truth(rng: np.random.Generator) -> Truth:
    """Gain, zero offset, lag, clock and smoothing as a team's pairs show them."""
    kind = str(rng.choice(["none", "boxcar", "exponential"], p=[0.2, 0.5, 0.3]))
    seconds = float(rng.uniform(2, 8) if kind == "boxcar" else rng.uniform(1, 4))
    smooth = Sensor(white_pct=0.8, smoothing=kind, smoothing_s=0.0 if kind == "none" else seconds)
    return Truth(
        gain_pct=float(rng.normal(0, 1.5)),
        zero_offset_nm=float(rng.normal(0, 0.25)),
        lag_s=float(rng.uniform(-90, 90)),
        clock_drift_ppm=float(rng.normal(0, 30)),
        reference=smooth,
    )


def random_mishaps(rng: np.random.Generator) -> Mishaps:
    """A few of each."""
    return Mishaps(
        dropouts=int(rng.integers(0, 4)),
        spikes=int(rng.integers(0, 6)),
        stuck=int(rng.integers(0, 3)),
        gaps=int(rng.integers(0, 3)),
        late_start_s=float(rng.choice([0, 0, 240])),
    )


def random_pair(rng: np.random.Generator, kind: str, *, minutes: float = 40.0) -> Pair:
    """One pair with everything drawn."""
    truth, mishaps = random_truth(rng), random_mishaps(rng)
    return simulate_pair(rng, truth, kind=kind, minutes=minutes, mishaps=mishaps)


def steered_pair(rng: np.random.Generator, kind: str = "steps", *, noise_w: float = 0.4) -> Pair:
    """A trainer that repeats the meter's power, smoothed: it proves nothing."""
    truth = replace(Truth(), gain_pct=0.0, zero_offset_nm=0.0)
    pair = simulate_pair(rng, truth, kind=kind)
    meter = pair.meter["power_w"].to_numpy()
    kernel = np.ones(3) / 3
    repeated = np.convolve(meter, kernel, mode="full")[: len(meter)]
    repeated = np.round(np.clip(repeated + rng.normal(0, noise_w, len(meter)), 0, None))
    reference = pair.meter.with_columns(power_w=pl.Series(repeated))
    return Pair(pair.meter, reference, replace(truth, lag_s=1.0))


def _soften(values: Array, seconds: float) -> Array:
    """Centred Gaussian smoothing on the 4 Hz clock."""
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(values, seconds * _FINE_HZ), dtype=np.float64)


def _smoothed(values: Array, sensor: Sensor) -> Array:
    """A mean over the second before each stamp, then the device's own trailing smoothing."""
    from scipy.signal import lfilter

    one_second = np.ones(_FINE_HZ) / _FINE_HZ
    values = np.asarray(lfilter(one_second, [1.0], values), dtype=np.float64)

    if sensor.smoothing == "boxcar" and sensor.smoothing_s > 0:
        width = max(1, round(sensor.smoothing_s * _FINE_HZ))
        return np.asarray(lfilter(np.ones(width) / width, [1.0], values), dtype=np.float64)
    if sensor.smoothing == "exponential" and sensor.smoothing_s > 0:
        a = 1 - np.exp(-1 / (sensor.smoothing_s * _FINE_HZ))
        return np.asarray(lfilter([a], [1.0, a - 1.0], values), dtype=np.float64)
    return values


def _at(values: Array, instants: Array) -> Array:
    """Values at instants (seconds of the ride proper)."""
    fine = np.arange(len(values)) / _FINE_HZ - _MARGIN_S
    return np.interp(instants, fine, values)


def _recording(
    rng: np.random.Generator, clock: Array, power: Array, cadence: Array, sensor: Sensor
) -> pl.DataFrame:
    n = len(clock)
    noise = rng.normal(0, sensor.white_pct / 100, n)
    noise += autoregressive(rng, n, sensor.wander_s, sensor.wander_pct / 100)
    shown = np.round(np.clip(power * (1 + noise), 0, None))
    turning = np.round(np.clip(cadence + np.where(cadence > 0, rng.normal(0, 0.5, n), 0), 0, None))
    return pl.DataFrame(
        {
            "time": pl.Series([_START]).dt.epoch("us")[0] + (clock * 1e6).astype(np.int64),
            "power_w": shown,
            "cadence_rpm": turning,
            "temperature_c": np.full(n, 20.0),
            "balance_pct": np.full(n, np.nan),
        }
    ).with_columns(
        pl.col("time").cast(pl.Datetime("us")).dt.replace_time_zone("UTC"),
        pl.col("balance_pct").fill_nan(None),
    )


def _with_mishaps(
    rng: np.random.Generator, recording: pl.DataFrame, mishaps: Mishaps
) -> pl.DataFrame:
    power = recording["power_w"].to_numpy().copy()
    n = len(power)
    for _ in range(mishaps.dropouts):
        at, length = rng.integers(0, n), rng.integers(2, 15)
        power[at : at + length] = 0.0
    for _ in range(mishaps.stuck):
        at, length = rng.integers(0, n), rng.integers(6, 30)
        power[at : at + length] = power[at]
    for _ in range(mishaps.spikes):
        at = rng.integers(0, n)
        power[at] = np.round(power[at] + rng.uniform(200, 1500))
    keep = np.ones(n, dtype=bool)
    for _ in range(mishaps.gaps):
        at, length = rng.integers(0, n), rng.integers(3, 90)
        keep[at : at + length] = False
    return recording.with_columns(power_w=pl.Series(power)).filter(pl.Series(keep))
