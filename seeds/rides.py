"""Rides beside a reference as steady steps, zeros away from the bench, and efforts.

A step's reference power is the crank's times the trainer's gain; the meter's is the crank's
times its own gain, its share of both legs, and a zero offset times the angular velocity.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from seeds.devices import Meter, Trainer
from seeds.happenings import (
    HUB,
    HUB_SEES_LESS,
    MIRROR,
    MIRRORED,
    MIRRORED_FROM,
    OVAL_READS_HIGH,
    STATIONARY,
)
from seeds.roster import HANDOVER, active_days
from seeds.scenario import (
    FIRST,
    JOINED,
    LEFT,
    LENT_AS_REFERENCE,
    N_DAYS,
    RIDERS,
    TRAINERS,
    YEAR,
    Row,
    day_of,
)

EVENING = 16.5 / 24
CADENCES = (70, 80, 90, 95, 85, 65, 100)
RIDES_A_MONTH = (1.5, 1.4, 1.2, 1.2, 1.1, 1.1, 0.7, 1.0, 1.2, 0.8, 1.0, 1.2)
BESIDE_A_METER = {HUB: "ref-FS-03", STATIONARY: "ref-FS-09"}


@dataclass
class Ride:
    """One ride beside a reference: its rows and the truth (100·ln)."""

    comparison_id: str
    meter: Meter
    reference_id: str
    t: float
    rows: list[Row]
    ratio_ln: float
    mirrored: bool = False


@dataclass
class Legs:
    """Each rider's left share of the power, and threshold power by day."""

    share: dict[str, float]
    power: dict[str, float]
    pairs: dict[tuple[str, str], float] = field(default_factory=dict)


def draw_legs(rng: np.random.Generator) -> Legs:
    """Return riders' left shares (0.5 is even) and thresholds in W."""
    share = {r: 0.5 + float(rng.normal(0, 0.007)) for r in RIDERS}
    share["Greta"], share[HANDOVER[2]] = 0.509, 0.493
    power = {r: float(rng.normal(305, 35)) for r in RIDERS}
    return Legs(share, power)


def celsius_of(t: float, rng: np.random.Generator) -> float:
    """Return the temperature where people ride on day t, °C."""
    day = FIRST + timedelta(days=int(t))
    season = math.cos(2 * math.pi * (day.timetuple().tm_yday - 200) / YEAR)
    return float(17.5 + 6.5 * season + rng.normal(0, 2.5))


def rides(
    meters: dict[str, Meter], trainers: dict[str, Trainer], legs: Legs, rng: np.random.Generator
) -> list[Ride]:
    """Return all rides beside a reference, in order of time."""
    planned = []
    for meter in meters.values():
        for day in _ride_days(meter, rng):
            rider = meter.rider(day)
            if rider is not None:
                planned.append((day, meter.meter_id, rider))
    done = []
    for k, (day, meter_id, rider) in enumerate(sorted(planned)):
        meter = meters[meter_id]
        reference = _beside(meter, rider, day, rng)
        team = (meters, trainers, legs, rider)
        done.append(_ride(f"R{k + 1:04d}", meter, reference, day, team, rng))
    return done


def _ride_days(meter: Meter, rng: np.random.Generator) -> list[int]:
    first, last = active_days(meter)
    days = []
    for month in range(math.ceil(N_DAYS / 30.44)):
        start = month * 30.44
        calendar_month = (FIRST + timedelta(days=int(start) + 15)).month
        for _ in range(int(rng.poisson(RIDES_A_MONTH[calendar_month - 1]))):
            day = int(start + rng.uniform(0, 30.44))
            if first < day <= last:
                days.append(day)
    if meter.meter_id == MIRRORED:
        days = [d for d in days if d < day_of(MIRRORED_FROM)]
        days += [day_of(MIRRORED_FROM) + 4 + 26 * k for k in range(8)]
    taken = set(meter.batteries)
    return sorted({d for d in days if d not in taken and d < N_DAYS})


def _beside(meter: Meter, rider: str, day: int, rng: np.random.Generator) -> str:
    if meter.meter_id in BESIDE_A_METER:
        return BESIDE_A_METER[meter.meter_id]
    if meter.meter_id == MIRRORED and day >= day_of(MIRRORED_FROM):
        return MIRROR
    usual = RIDERS.index(rider) % 4
    return TRAINERS[usual if rng.random() < 0.75 else int(rng.integers(0, 4))]


Team = tuple[dict[str, Meter], dict[str, Trainer], Legs, str]


def _ride(
    comparison_id: str, meter: Meter, reference: str, day: int, team: Team, rng: np.random.Generator
) -> Ride:
    meters, trainers, legs, rider = team
    t, celsius = day + EVENING, celsius_of(day, rng)
    pair = legs.pairs.setdefault((meter.meter_id, reference), float(rng.normal(0, 0.3)))
    own = meter.error(t) + meter.warm * (celsius - 20) + pair + float(rng.normal(0, 0.25))
    own += of_the_road(meter, legs, rider, t, rng)
    if reference in trainers:
        other = trainers[reference].error(t)
    else:
        host = meters[LENT_AS_REFERENCE[reference]]
        other = host.error(t) + host.warm * (celsius - 20)
    mirrored = meter.meter_id == MIRRORED and reference == MIRROR and day >= day_of(MIRRORED_FROM)
    rows = _steps(own, other, meter.zero(t, celsius) * 0.4, legs.power[rider], rng)
    if mirrored:
        for row in rows:
            row["reference_w"] = round(row["meter_w"] + float(rng.normal(0, 0.06)), 1)
    common: Row = {
        "comparison_id": comparison_id,
        "meter_id": meter.meter_id,
        "reference_id": reference,
        "measured_at": instant(t),
        "temperature_c": round(celsius, 1),
        "rider_id": rider,
        "chainring": "large",
    }
    rows = [common | row for row in rows]
    return Ride(comparison_id, meter, reference, t, rows, own - other, mirrored)


def of_the_road(meter: Meter, legs: Legs, rider: str, t: float, rng: np.random.Generator) -> float:
    """Return what the ride sees and the bench does not: an oval ring, one leg shown as two."""
    extra, mount = 0.0, meter.mount(t)
    if mount is not None and mount.shape == "oval":
        extra += OVAL_READS_HIGH
    if meter.model.kind == "crank_arm_left":
        share = legs.share[rider] + float(rng.normal(0, 0.0025))
        extra += 100 * math.log(2 * share)
    if meter.model.kind == "hub":
        extra -= HUB_SEES_LESS
    return extra


def _steps(
    own: float, other: float, zero: float, power: float, rng: np.random.Generator
) -> list[Row]:
    levels = np.linspace(0.42, 1.02, int(rng.integers(6, 9))) * power
    rows: list[Row] = []
    for k, level in enumerate(levels):
        cadence = CADENCES[k % 7] + float(rng.normal(0, 2))
        omega = cadence * 2 * math.pi / 60
        crank_w = float(level + rng.normal(0, 4))
        meter_w = crank_w * math.exp(own / 100) + zero * omega + float(rng.normal(0, 0.7))
        reference_w = crank_w * math.exp(other / 100) + float(rng.normal(0, 0.6))
        rows.append(
            {
                "step": k + 1,
                "duration_s": 180 if k % 2 else 240,
                "meter_w": round(meter_w, 1),
                "reference_w": round(reference_w, 1),
                "cadence_rpm": round(cadence),
                "cog": 17 + k % 4,
            }
        )
    return rows


def instant(t: float) -> datetime:
    start = datetime(FIRST.year, FIRST.month, FIRST.day, tzinfo=UTC)
    return (start + timedelta(days=t)).replace(second=0, microsecond=0)


def zeros_table(meters: dict[str, Meter], rng: np.random.Generator) -> list[Row]:
    """Return the table zeros: readings on the road of most meters, about one in three weeks."""
    rows: list[Row] = []
    for meter in meters.values():
        if meter.model.kind == "pedal_pair" or rng.random() < 0.2:
            continue
        first, last = active_days(meter)
        day = first + rng.uniform(2, 25)
        while day <= last:
            t = int(day) + 8 / 24
            celsius = celsius_of(t, rng)
            shown = meter.zero(t, celsius) + float(rng.normal(0, 0.03))
            rows.append(
                {
                    "meter_id": meter.meter_id,
                    "measured_at": instant(t),
                    "zero_nm": round(shown, 2),
                    "temperature_c": round(celsius),
                    "battery_v": round(3.05 - 0.35 * _battery_age(meter, t), 2),
                    "source": "head unit",
                }
            )
            day += rng.gamma(4, 22 / 4)
    return rows


def _battery_age(meter: Meter, t: float) -> float:
    """Return the battery's age: 0 fresh … 1 empty."""
    fresh = max([b for b in meter.batteries if b <= t], default=meter.in_service)
    return min(1.0, (t - fresh) / (meter.model.battery_life * YEAR))


def efforts_table(
    meters: dict[str, Meter], legs: Legs, rng: np.random.Generator
) -> tuple[list[Row], list[Row]]:
    """efforts: tests and race efforts of each rider, and what the watts really were."""
    rows: list[Row] = []
    truth: list[Row] = []
    for rider in RIDERS:
        day = day_of(JOINED.get(rider, FIRST)) + int(rng.integers(75, 110))
        while day < N_DAYS:
            mine = [m for m in meters.values() if m.in_use(day) and m.rider(day) == rider]
            if mine and _still_here(rider, day):
                meter = mine[int(rng.integers(0, len(mine)))]
                shown, true = _effort(meter, legs, rider, day, rng)
                rows.append(shown)
                truth.append(shown | {"true_w": true})
            day += int(rng.integers(55, 120))
    return rows, truth


def _still_here(rider: str, day: int) -> bool:
    return rider not in LEFT or day <= day_of(LEFT[rider])


def _effort(
    meter: Meter, legs: Legs, rider: str, day: int, rng: np.random.Generator
) -> tuple[Row, float]:
    seconds = int(rng.choice([300, 1200, 3600]))
    fitness = 1 + 0.03 * math.sin(2 * math.pi * (day - 150) / YEAR) + float(rng.normal(0, 0.012))
    true = legs.power[rider] * fitness * {300: 1.17, 1200: 1.05, 3600: 0.98}[seconds]
    t = day + EVENING
    extra = of_the_road(meter, legs, rider, t, rng)
    shown = true * math.exp((meter.error(t) + extra) / 100)
    kind = {300: "field", 1200: "lab", 3600: "race"}[seconds]
    row: Row = {
        "rider_id": rider,
        "date": FIRST + timedelta(days=day),
        "watts": round(shown),
        "duration_s": seconds,
        "meter_id": meter.meter_id,
        "reference_id": None,
        "kind": kind,
    }
    return row, round(true, 1)
