"""Three rides recorded twice, second by second: a trainer, a spider beside a hub, a mirror."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from seeds.devices import Array, Meter, Trainer
from seeds.happenings import HUB, MIRROR, MIRRORED
from seeds.rides import Legs, of_the_road
from seeds.scenario import FIRST, LENT_AS_REFERENCE, Row

SECONDS = 2400


@dataclass(frozen=True)
class Recorded:
    """A pair of recordings and what is true of it; gain in 100·ln, lag > 0: the reference
    stamps the same instant later."""

    name: str
    meter_id: str
    reference_id: str
    started: datetime
    outdoors: bool
    lag_s: int
    smoothing_s: int
    mirrored: bool = False


PAIRS = (
    Recorded("2026-09-24-FS-05", "FS-05", "TR-1", datetime(2026, 9, 24, 15, 2, 11, tzinfo=UTC),
             outdoors=False, lag_s=23, smoothing_s=3),
    Recorded("2026-09-26-HB-01", HUB, "ref-FS-03", datetime(2026, 9, 26, 8, 40, 3, tzinfo=UTC),
             outdoors=True, lag_s=-8, smoothing_s=1),
    Recorded("2026-09-28-OL-14", MIRRORED, MIRROR, datetime(2026, 9, 28, 16, 15, 40, tzinfo=UTC),
             outdoors=False, lag_s=1, smoothing_s=1, mirrored=True),
)  # fmt: skip


def recordings(
    meters: dict[str, Meter], trainers: dict[str, Trainer], legs: Legs, rng: np.random.Generator
) -> tuple[dict[str, pl.DataFrame], list[Row], list[Row]]:
    """Return the recordings by file name, the pairs table, and the truth of each pair."""
    files: dict[str, pl.DataFrame] = {}
    pairs: list[Row] = []
    truth: list[Row] = []
    for pair in PAIRS:
        meter = meters[pair.meter_id]
        t = (pair.started.replace(tzinfo=None) - datetime.combine(FIRST, datetime.min.time())).days
        rider = meter.rider(t) or ""
        own = meter.error(t + 0.6) + of_the_road(meter, legs, rider, t, rng)
        lent = LENT_AS_REFERENCE.get(pair.reference_id)
        other = meters[lent].error(t + 0.6) if lent else trainers[pair.reference_id].error(t)
        zero = 0.0 if pair.mirrored else 0.18
        both = _record(pair, (own, other, zero), legs.power[rider], rng)
        names = (f"{pair.name}-meter.csv", f"{pair.name}-{pair.reference_id}.csv")
        files |= dict(zip(names, both, strict=True))
        pairs.append(
            {
                "meter_file": names[0],
                "reference_file": names[1],
                "meter_id": pair.meter_id,
                "reference_id": pair.reference_id,
                "comparison_id": f"F-{pair.name}",
                "rider_id": rider,
            }
        )
        ratio = None if pair.mirrored else round(100 * math.expm1((own - other) / 100), 3)
        truth.append(
            {
                "comparison_id": f"F-{pair.name}",
                "gain_ratio_pct": ratio,
                "zero_offset_nm": None if pair.mirrored else zero,
                "lag_s": pair.lag_s,
                "void": pair.mirrored,
            }
        )
    return files, pairs, truth


def _record(
    pair: Recorded, truth: tuple[float, float, float], threshold: float, rng: np.random.Generator
) -> tuple[pl.DataFrame, pl.DataFrame]:
    own, other, zero = truth
    n = SECONDS + 240
    power, cadence = _ride_of(n, threshold, pair.outdoors, rng)
    omega = cadence * 2 * math.pi / 60
    pedalling = cadence > 0
    meter = power * math.exp(own / 100) + zero * omega
    meter = np.where(pedalling, meter * (1 + rng.normal(0, 0.012, n)), 0)
    meter = np.maximum(meter, 0)
    if pair.mirrored:
        reference = meter
    else:
        kernel = np.ones(pair.smoothing_s) / pair.smoothing_s
        reference = np.convolve(power * math.exp(other / 100), kernel, mode="full")[:n]
        reference = np.where(pedalling, reference * (1 + rng.normal(0, 0.010, n)), 0)
    warm = 19 + 4 * (1 - np.exp(-np.arange(n) / 900)) + (0 if pair.outdoors else 2)
    start = 120
    ours = _frame(pair.started, slice(start, start + SECONDS), (meter, cadence, warm))
    late = slice(start - pair.lag_s, start - pair.lag_s + SECONDS)
    theirs = _frame(pair.started, late, (reference, cadence, warm))
    if not pair.mirrored:
        theirs = theirs.filter(~pl.int_range(pl.len()).is_between(1410, 1432))  # a dropout
    return ours, theirs


def _ride_of(
    n: int, threshold: float, outdoors: bool, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Return crank power and cadence for each second: steps on a trainer, or a hilly road."""
    if not outdoors:
        levels = np.repeat(threshold * rng.uniform(0.45, 1.05, n // 200 + 1), 200)[:n]
        slow = levels + _wander(n, 40, 5, rng)
        rpm = np.repeat(rng.choice([72, 80, 88, 95, 102], n // 200 + 1), 200)[:n]
        cadence: Array = rpm + _wander(n, 20, 1.5, rng)
        return np.maximum(slow, 40), cadence
    road = threshold * (0.72 + 0.25 * np.sin(np.arange(n) / 170) * np.sin(np.arange(n) / 61))
    power = np.maximum(road + _wander(n, 25, 45, rng), 60)
    cadence = 86 + 8 * np.sin(np.arange(n) / 140) + _wander(n, 15, 4, rng)
    for start in rng.integers(60, n - 60, 14):
        power[start : start + 9], cadence[start : start + 9] = 0, 0
    return power, cadence


def _wander(n: int, memory_s: float, sd: float, rng: np.random.Generator) -> Array:
    """Return first-order noise with a memory."""
    keep = math.exp(-1 / memory_s)
    steps = rng.normal(0, sd * math.sqrt(1 - keep**2), n)
    path = np.zeros(n)
    for k in range(1, n):
        path[k] = keep * path[k - 1] + steps[k]
    return path


def _frame(started: datetime, part: slice, columns: tuple[Array, Array, Array]) -> pl.DataFrame:
    power, cadence, warm = (column[part] for column in columns)
    times = [started + timedelta(seconds=k) for k in range(len(power))]
    return pl.DataFrame(
        {
            "time": [f"{t:%Y-%m-%dT%H:%M:%SZ}" for t in times],
            "power_w": [round(float(p)) for p in power],
            "cadence_rpm": [round(float(c)) for c in cadence],
            "temperature_c": [round(float(w)) for w in warm],
        }
    )
