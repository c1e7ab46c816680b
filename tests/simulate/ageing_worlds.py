"""Fleets that age by three laws of physics, followed on for years after the records end.

linear        a steady loss, as of a gauge that tires
saturating    creep of the adhesive under the gauge: a sum of two relaxations whose times differ
              from meter to meter (a Prony series), so that a meter's change dies out
accelerating  water that finds its way in: nothing much at first, then a power of time whose
              exponent differs from meter to meter

Everything is drawn here and shares no code with the models. Errors are 100·ln, days count from
the first day of the records; courses reach AHEAD_YEARS beyond the last.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from models.metrology import Array

YEAR = 365.25
FIRST_DAY = date(2022, 3, 1)
AHEAD_YEARS = 6.0
SESSION_U, EXTRA_U, CRANK_U, RIDE_U = 0.2, 0.1, 0.15, 0.4
RESET_LIMIT = 0.6

Law = Callable[[Array, np.random.Generator], Array]
"""Elapsed years and dice to the share of a meter's change: 1 after three years, on average."""


def linear(t: Array, rng: np.random.Generator) -> Array:
    """A steady loss."""
    del rng
    return t / 3.0


def saturating(t: Array, rng: np.random.Generator) -> Array:
    """Creep: two relaxations, of about half a year and two years."""
    quick, slow = 0.5 * math.exp(0.3 * rng.normal()), 2.0 * math.exp(0.3 * rng.normal())
    share = 0.6 + 0.15 * rng.uniform(-1, 1)
    course: Array = share * (1 - np.exp(-t / quick)) + (1 - share) * (1 - np.exp(-t / slow))
    return course * 1.15


def accelerating(t: Array, rng: np.random.Generator) -> Array:
    """Water: a power of time, a little less than its square."""
    course: Array = (t / 3.0) ** (1.8 + 0.3 * rng.uniform(-1, 1))
    return course


LAWS: dict[str, Law] = {
    "linear": linear,
    "saturating": saturating,
    "accelerating": accelerating,
}


@dataclass(frozen=True)
class AgeingWorld:
    """Records of a fleet, and its truth.

    frames     as the fleet model takes them
    sensor     of each meter, a value a day from the first day of the records on, [days]
    programmed of each meter when the records end
    n_days     of the records
    """

    frames: dict[str, pl.DataFrame]
    sensor: dict[str, Array]
    programmed: dict[str, float]
    n_days: int

    @property
    def today(self) -> date:
        """The records' last day."""
        return FIRST_DAY + timedelta(days=self.n_days - 1)

    def error(self, meter: str, days_ahead: int) -> float:
        """The true gain error so many days after the records, the slope left alone."""
        return float(self.sensor[meter][self.n_days - 1 + days_ahead] - self.programmed[meter])


def ageing_world(
    law: str, seed: int, *, n_meters: int = 60, years: float = 3.0, rides: float = 8.0
) -> AgeingWorld:
    """Draw two groups that age by a law, the second twice as fast, the other way."""
    rng = np.random.default_rng([seed, 1509, list(LAWS).index(law)])
    n_days = round(years * YEAR)
    total = n_days + round(AHEAD_YEARS * YEAR)
    trainers = np.cumsum(rng.normal(0, 0.3 / math.sqrt(YEAR), (3, total)), axis=1)
    trainers += rng.normal(-2.0, 1.0, (3, 1))
    tables: dict[str, list[dict[str, object]]] = {
        name: [] for name in ("meters", "bench", "comparisons", "resets")
    }
    sensors, programmed = {}, {}
    size = rng.uniform(0.8, 1.6) * np.array([1.0, -2.0])
    for i in range(n_meters):
        name, group = f"M{i:03d}", i % 2
        born = -int(rng.uniform(0, 2.0) * YEAR) if rng.random() < 0.7 else int(rng.uniform(0, 400))
        age = np.maximum(np.arange(total) - born, 0) / YEAR
        change = size[group] + 0.45 * rng.normal()
        walk = np.cumsum(rng.normal(0, 0.25 / math.sqrt(YEAR), total))
        sensors[name] = rng.normal(0, 0.7) + change * LAWS[law](age, rng) + walk
        tables["meters"].append(
            {
                "meter_id": name,
                "group": "elm" if group == 0 else "fir",
                "in_service_on": FIRST_DAY + timedelta(days=born),
            }
        )
        records = _Records(tables, name, sensors[name], rng)
        records.visits(max(born, 0), n_days)
        records.rides(max(born, 0), n_days, rides, trainers)
        programmed[name] = records.p
    frames = {name: pl.DataFrame(rows) for name, rows in tables.items() if rows}
    frames["benches"] = pl.DataFrame(
        {"bench_id": ["set"], "u_pct": [0.02], "source": "certificate"}
    )
    return AgeingWorld(frames, sensors, programmed, n_days)


@dataclass
class _Records:
    """What is written down about one meter."""

    tables: dict[str, list[dict[str, object]]]
    name: str
    sensor: Array
    rng: np.random.Generator
    p: float = 0.0

    def visits(self, first: int, last: int) -> None:
        """Bench sessions about every half-year; a slope that is found off is reset."""
        crank, day = self.rng.normal(0, CRANK_U), first + self.rng.uniform(0, 120)
        self.slopes: list[tuple[int, float]] = [(-1, 0.0)]
        while day < last:
            at = int(day)
            noise = math.hypot(SESSION_U, EXTRA_U) * self.rng.normal()
            found = float(self.sensor[at] - self.p + crank + noise)
            self.tables["bench"].append(
                {
                    "session_id": f"S{self.name}-{at}", "meter_id": self.name,
                    "at": _instant(at, 9), "bench_id": "set", "crank_id": f"C{self.name}",
                    "found": found, "u_session": SESSION_U, "u_bench": 0.02,
                    "u_crank": CRANK_U, "u_place": 0.0, "u_meter": 0.0,
                }
            )  # fmt: skip
            if abs(found) > RESET_LIMIT:
                self.tables["resets"].append(
                    {
                        "meter_id": self.name, "at": _instant(at, 10), "p_before": self.p,
                        "p_after": self.p + found, "recorded": True,
                        "earliest": _instant(at, 10), "latest": _instant(at, 10),
                    }
                )  # fmt: skip
                self.p += found
                self.slopes.append((at, self.p))
            day += max(20.0, self.rng.gamma(4, YEAR / 2 / 4))

    def rides(self, first: int, last: int, rate: float, trainers: Array) -> None:
        """Comparisons beside a home trainer."""
        home, pair = int(self.rng.integers(3)), 0.4 * self.rng.normal()
        day = first + self.rng.exponential(YEAR / rate)
        while day < last:
            at = int(day)
            slope = next(p for since, p in reversed(self.slopes) if since < at)
            shown = self.sensor[at] - slope - trainers[home, at] + pair
            self.tables["comparisons"].append(
                {
                    "comparison_id": f"R{self.name}-{at}", "meter_id": self.name,
                    "reference_id": f"T{home}", "at": _instant(at, 7),
                    "ratio": float(shown + RIDE_U * self.rng.normal()), "u": RIDE_U,
                }
            )  # fmt: skip
            day += 1 + self.rng.exponential(YEAR / rate)


def _instant(day: int, hour: int) -> datetime:
    on = FIRST_DAY + timedelta(days=day)
    return datetime(on.year, on.month, on.day, hour, tzinfo=UTC)
