"""The truth behind a simulated fleet: every device's course and everything that went wrong.

Errors are 100·ln. Time is in days since the fleet's first day.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from models.metrology import Array
from tests.simulate.fleet_options import FleetOptions, Group

YEAR = 365.25


@dataclass
class MeterTruth:
    """One meter's true course; `sensor` holds a value a day from `start` on (100·ln)."""

    meter_id: str
    group: Group
    start: int
    stop: int | None
    sensor: Array
    temperature: float = 0.0  # effect per °C away from 20
    noise: float = 1.0  # its rides' noise over the usual
    battery_days: list[int] = field(default_factory=list)
    cranks: list[tuple[float, str]] = field(default_factory=list)
    resets: list[tuple[float, float]] = field(default_factory=list)

    def sensor_at(self, t: float) -> float:
        """Sensor error at day t, at 20 °C (100·ln)."""
        return float(self.sensor[min(max(math.floor(t) - self.start, 0), len(self.sensor) - 1)])

    def programmed(self, t: float) -> float:
        """Programmed slope relative to factory at day t (100·ln)."""
        return next((p for at, p in reversed(self.resets) if at <= t), 0.0)

    def gain_error(self, t: float) -> float:
        """Gain error at day t, at 20 °C (100·ln)."""
        return self.sensor_at(t) - self.programmed(t)

    def crank(self, t: float) -> str:
        """The crank that the meter is on at day t."""
        return next(crank for at, crank in reversed(self.cranks) if at <= t)


@dataclass(frozen=True)
class Strike:
    """A step of a meter's sensor that nobody wrote down."""

    meter_id: str
    day: int
    size: float


@dataclass(frozen=True)
class WrongEntry:
    """A session evaluated with a wrong crank length: its found value is off by `size`."""

    session_id: str
    meter_id: str
    day: float
    size: float
    reset: bool


@dataclass(frozen=True)
class Jump:
    """A step of a trainer or of a mass set."""

    device_id: str
    day: int
    size: float


@dataclass(frozen=True)
class Unrecorded:
    """A change of the programmed slope that nobody wrote down; sizes relative to factory."""

    meter_id: str
    day: float
    size: float
    before: float = 0.0


@dataclass
class Truth:
    """What really happened in a fleet."""

    meters: dict[str, MeterTruth]
    references: dict[str, Array]  # a value a day
    benches: dict[str, float]  # with the scale's part
    places: dict[str, float]
    scale: float = 0.0  # what the one scale that weighed all sets was off by
    cranks: dict[str, float] = field(default_factory=dict)
    pairs: dict[tuple[str, str], float] = field(default_factory=dict)
    lent: dict[str, str] = field(default_factory=dict)  # reference -> the meter that it is
    strikes: list[Strike] = field(default_factory=list)
    wrong_entries: list[WrongEntry] = field(default_factory=list)
    wild: list[str] = field(default_factory=list)
    jumps: list[Jump] = field(default_factory=list)
    planned: dict[str, Unrecorded] = field(default_factory=dict)  # not yet come to light
    unrecorded: list[Unrecorded] = field(default_factory=list)
    noisy: dict[str, int] = field(default_factory=dict)  # meter -> day its noise tripled
    session_noise: dict[str, float] = field(default_factory=dict)
    ride_noise: dict[str, float] = field(default_factory=dict)

    def gain_errors(self, t: float) -> dict[str, float]:
        """Gain error of every meter in use at day t (100·ln)."""
        return {
            m.meter_id: m.gain_error(t)
            for m in self.meters.values()
            if m.start <= t and (m.stop is None or m.stop > t)
        }


@dataclass
class World:
    """A fleet while it is being drawn."""

    options: FleetOptions
    n_days: int
    truth: Truth
    rng: np.random.Generator

    def settled(self) -> list[str]:
        """Meters that stay to the end and have been here for a while."""
        latest = self.n_days - (self.options.quiet_tail + 0.8) * YEAR
        meters = self.truth.meters.values()
        return [m.meter_id for m in meters if m.stop is None and m.start < latest]

    def some(self, names: list[str], n: int) -> list[str]:
        """At most n of the names, without repeats."""
        if not n or not names:
            return []
        drawn = self.rng.choice(names, size=min(n, len(names)), replace=False)
        return [str(x) for x in drawn]
