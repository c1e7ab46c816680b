"""A model group with known drift, battery steps and resets, as the frames between the stages."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
import polars as pl

YEAR = 365.25
TODAY = date(2026, 1, 1)
_BEGIN = date(2023, 1, 1)


@dataclass(frozen=True)
class Drifting:
    """Truth of one group, 100·ln and years; the errors of two mass sets are drawn with it."""

    n_meters: int
    drift: float = 0.5
    sd_drift: float = 0.3
    swap: float = 0.1
    sd_swap: float = 0.2
    walk: float = 0.0
    most_sessions: int = 10
    u_session: float = 0.15
    extra: float = 0.15
    u_bench: float = 0.1


def frames(truth: Drifting, rng: np.random.Generator) -> tuple[pl.DataFrame, ...]:
    """meters, sessions, swaps: three seasons; found errors over 1 are reset at the bench."""
    bench_error = rng.normal(0, truth.u_bench, 2)
    meters, sessions, swaps = [], [], []
    for number in range(truth.n_meters):
        meter_id = f"M{number:03d}"
        start = rng.uniform(0, 1.5)
        born = _BEGIN + timedelta(days=int(start * YEAR))
        ages, sensitivity, swapped = _sensor(truth, 3.0 - start, rng=rng)
        meters.append(
            {
                "meter_id": meter_id,
                "kind": "crank_spider",
                "model_group": "A",
                "in_service_date": born,
                "slope_convention": "divisor",
                "factory_slope": 20.0,
            }
        )
        swaps += [{"meter_id": meter_id, "date": born + timedelta(days=int(d))} for d in swapped]
        rows = _sessions(truth, ages, sensitivity, bench_error=bench_error, rng=rng)
        noon = datetime.combine(born, time(12), UTC)
        for row, age in zip(rows, ages, strict=True):
            at = noon + timedelta(days=int(age))
            name = f"{meter_id}-{int(age)}"
            sessions.append({"session_id": name, "meter_id": meter_id, "measured_at": at} | row)
    return (
        pl.DataFrame(meters),
        pl.DataFrame(sessions, schema_overrides={"slope_after": pl.Float64}),
        pl.DataFrame(swaps, schema={"meter_id": pl.String, "date": pl.Date}),
    )


def _sensor(truth, years, *, rng):
    """Whole days of age of the sessions, sensitivity at them, days of age of battery swaps."""
    wanted = rng.integers(2, truth.most_sessions + 1)
    days = np.unique(rng.integers(8, int(years * YEAR), wanted))
    age = days / YEAR
    s = rng.normal(0, 1) + rng.normal(truth.drift, truth.sd_drift) * age
    s += np.cumsum(rng.normal(0, truth.walk * np.sqrt(np.diff(age, prepend=0))))
    swapped = np.cumsum(rng.uniform(0.4, 1.0, 8)) * YEAR
    swapped = swapped[swapped < years * YEAR].astype(int)
    for day in swapped:
        s += (days >= day) * rng.normal(truth.swap, truth.sd_swap)
    return days, s, swapped


def _sessions(truth, days, sensitivity, *, bench_error, rng):
    slope = 20.0
    for _, s in zip(days, sensitivity, strict=True):
        bench = int(rng.integers(2))
        noise = rng.normal(0, np.hypot(truth.u_session, truth.extra))
        found = s - 100 * np.log(slope / 20.0) + bench_error[bench] + noise
        after = slope * np.exp(found / 100) if abs(found) > 1 else None
        yield {
            "gain_error_ln": found,
            "u_session_pct": truth.u_session,
            "bench_id": f"set {bench}",
            "u_bench_pct": truth.u_bench,
            "place_id": "shop",
            "u_place_pct": 0.05,
            "slope_before": slope,
            "slope_after": after,
        }
        slope = after or slope
