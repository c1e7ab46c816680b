"""The team's meters and trainers with their true course, as the demo's physics draws it.

Errors are 100·ln, time is in days since the data's first day. A meter has one side, or two
with a slope each; a side's sensor has a value a day, and steps at an instant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from seeds.scenario import JUMP_ON, JUMP_SIZE, JUMPED_TRAINER, N_DAYS, TRAINERS, YEAR, day_of

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Model:
    """A group of meters alike; drift and steps in 100·ln, torque in N·m."""

    group: str
    prefix: str
    kind: str
    count: int
    convention: str
    factory: float
    factory_spread: float
    step: float
    decimals: int
    level_sd: float
    drift: float
    drift_sd: float
    walk: float
    battery_step: float
    battery_step_sd: float
    battery_life: float
    warm: float
    zero_per_c: float
    resolution: float
    cost: float
    battery: str
    accuracy: float
    tolerance: float | None = None

    @property
    def sides(self) -> tuple[str | None, ...]:
        """The sides with a slope of their own."""
        two = self.kind in ("pedal_pair", "crank_arm_pair")
        return ("left", "right") if two else (None,)


MODELS = (
    Model("felsite", "FS", "crank_spider", 25, "multiplier", 5.69, 0.05, 0.01, 2,
          0.6, 0.45, 0.30, 0.25, 0.0, 0.08, 0.9, 0.004, 0.010, 0.01, 690, "CR2450", 1.5),
    Model("olivine", "OL", "crank_arm_left", 20, "divisor", 21.4, 0.3, 0.1, 1,
          0.8, -0.70, 0.35, 0.30, 0.50, 0.25, 0.45, 0.006, 0.020, 0.1, 340, "CR2032", 2.0),
    Model("gypsum", "GP", "pedal_pair", 13, "multiplier", 100.0, 0.0, 0.1, 1,
          0.6, 0.15, 0.30, 0.30, 0.0, 0.10, 0.7, 0.020, 0.015, 0.1, 820, "LR44", 1.0, 1.5),
    Model("dolerite", "HB", "hub", 1, "fixed", 1.0, 0.0, 0.1, 1,
          0.5, 0.20, 0.20, 0.20, 0.0, 0.10, 0.8, 0.003, 0.008, 0.01, 880, "2 x AAA", 1.5, 2.0),
    Model("tuff", "TW", "crank_arm_pair", 1, "divisor", 18.6, 0.2, 0.1, 1,
          0.6, -0.20, 0.30, 0.25, 0.0, 0.10, 0.8, 0.004, 0.012, 0.01, 760, "CR2032", 1.5),
    Model("schist", "ST", "other", 1, "fixed", 1.0, 0.0, 0.1, 1,
          0.8, -0.30, 0.30, 0.30, 0.0, 0.10, 0.6, 0.005, 0.010, 0.1, 450, "built in", 2.0, 2.0),
)  # fmt: skip


@dataclass
class Side:
    """One slope and the sensor behind it."""

    name: str | None
    factory: float
    sensor: Array
    steps: list[tuple[float, float]] = field(default_factory=list)
    slopes: list[tuple[float, float]] = field(default_factory=list)

    def program(self, t: float, slope: float) -> None:
        """Set the slope at day t."""
        self.slopes = sorted([*self.slopes, (t, slope)])

    def slope(self, t: float) -> float:
        """Return the slope programmed at day t."""
        return next((s for at, s in reversed(self.slopes) if at <= t), self.factory)

    def sensor_at(self, t: float) -> float:
        """Return the sensor's own error at day t, 100·ln."""
        k = min(max(math.floor(t), 0), N_DAYS - 1)
        return float(self.sensor[k]) + sum(size for at, size in self.steps if at <= t)


@dataclass(frozen=True)
class Mount:
    """A meter on a bike: from … to, the crank and what is programmed."""

    start: int
    stop: int | None
    bike_id: str
    crank_id: str
    crank_mm: float
    programmed_mm: float
    rings: tuple[int, int]
    shape: str = "round"


@dataclass
class Meter:
    """One meter with everything that happens to it."""

    meter_id: str
    model: Model
    in_service: int
    sides: list[Side]
    zero_nm: float
    warm: float
    stop: int | None = None
    state: str = "active"
    owner: str = "team"
    replaces: str | None = None
    ring_pct: float = 0.0
    arm_pct: float = 0.0
    batteries: list[int] = field(default_factory=list)
    zero_steps: list[tuple[float, float]] = field(default_factory=list)
    mounts: list[Mount] = field(default_factory=list)
    held: list[tuple[int, int | None, str | None, str]] = field(default_factory=list)

    def side_error(self, side: Side, t: float) -> float:
        """Return the gain error of one side at day t, 100·ln: sensor, slope, programmed length."""
        p = 0.0
        if self.model.convention != "fixed":
            p = 100 * math.log(side.slope(t) / side.factory)
            p = p if self.model.convention == "divisor" else -p
        return side.sensor_at(t) - p + self.setting(t)

    def setting(self, t: float) -> float:
        """Return what a wrong programmed crank length does to the display, 100·ln (pedals only)."""
        mount = self.mount(t)
        if mount is None or not self.model.kind.startswith("pedal"):
            return 0.0
        return 100 * math.log(mount.programmed_mm / mount.crank_mm)

    def error(self, t: float) -> float:
        """Return the gain error of the whole meter at day t: mean of its sides, 100·ln."""
        gains = [math.exp(self.side_error(s, t) / 100) for s in self.sides]
        return 100 * math.log(sum(gains) / len(gains))

    def mount(self, t: float) -> Mount | None:
        """Return where the meter is at day t."""
        return next((m for m in reversed(self.mounts) if m.start <= t), None)

    def rider(self, t: float) -> str | None:
        """Return who rides it at day t."""
        for start, stop, rider, _ in reversed(self.held):
            if start <= t and (stop is None or t < stop + 1):
                return rider
        return None

    def zero(self, t: float, celsius: float) -> float:
        """Return the torque shown with nothing on the crank, N·m."""
        jumps = sum(size for at, size in self.zero_steps if at <= t)
        return self.zero_nm + self.model.zero_per_c * (celsius - 20) + jumps

    def in_use(self, t: float) -> bool:
        """Return whether the meter is in the fleet at day t."""
        return self.in_service <= t and (self.stop is None or t < self.stop + 1)


def draw_meters(rng: np.random.Generator) -> dict[str, Meter]:
    """Return all meters, before anything happens to them."""
    meters: dict[str, Meter] = {}
    for model in MODELS:
        for i in range(model.count):
            start = -int(rng.uniform(60, 700))
            if rng.random() < 0.25:
                start = int(rng.choice([60, 75, 425, 440, 790]))
            meter = _draw_meter(f"{model.prefix}-{i + 1:02d}", model, start, rng)
            meters[meter.meter_id] = meter
    return meters


def _draw_meter(meter_id: str, model: Model, start: int, rng: np.random.Generator) -> Meter:
    factory = round(model.factory + model.factory_spread * rng.uniform(-1, 1), model.decimals)
    batteries = _battery_days(model, start, rng)
    sides = [Side(name, factory, draw_sensor(model, start, batteries, rng)) for name in model.sides]
    meter = Meter(
        meter_id,
        model,
        start,
        sides,
        float(rng.normal(0, 0.12)),
        model.warm * rng.uniform(0.5, 1.5),
    )
    meter.batteries = [day for day in batteries if day >= 0]
    meter.ring_pct = float(rng.normal(0.25, 0.15))
    meter.arm_pct = float(rng.normal(0.1, 0.2))
    return meter


def _battery_days(model: Model, start: int, rng: np.random.Generator) -> list[int]:
    days, day = [], start + rng.gamma(9, model.battery_life / 9) * YEAR
    while day < N_DAYS - 4:
        days.append(int(day))
        day += max(25.0, rng.gamma(9, model.battery_life / 9) * YEAR)
    return days


def draw_sensor(model: Model, start: int, batteries: list[int], rng: np.random.Generator) -> Array:
    """Return a sensor's error for each day of the data: level, drift, walk, battery steps."""
    n = N_DAYS - start
    path = rng.normal(0, model.level_sd) + rng.normal(model.drift, model.drift_sd) * (
        np.arange(n) / YEAR
    )
    path += np.cumsum(rng.normal(0, model.walk / math.sqrt(YEAR), n))
    for day in batteries:
        path[day - start :] += rng.normal(model.battery_step, model.battery_step_sd)
    whole = np.concatenate([np.full(max(start, 0), path[0]), path])
    return whole[-N_DAYS:]


@dataclass
class Trainer:
    """A trainer's gain error by day (100·ln), drivetrain loss included."""

    reference_id: str
    path: Array
    spindowns: list[int]

    def error(self, t: float) -> float:
        """Return the gain error at day t, 100·ln."""
        return float(self.path[math.floor(t)])


def draw_trainers(rng: np.random.Generator) -> dict[str, Trainer]:
    """Return four trainers that read about 2 % low, walk, step at spindowns; one jumps."""
    trainers = {}
    for name in TRAINERS:
        path = rng.normal(-2.2, 0.8) + np.cumsum(rng.normal(0, 0.25 / math.sqrt(YEAR), N_DAYS))
        spindowns = [int(d) for d in np.arange(40, N_DAYS - 20, 130) + rng.integers(0, 40, 8)[0]]
        for day in spindowns:
            path[day:] += rng.normal(0, 0.15)
        if name == JUMPED_TRAINER:
            path[day_of(JUMP_ON) :] += JUMP_SIZE
        trainers[name] = Trainer(name, path, spindowns)
    return trainers
