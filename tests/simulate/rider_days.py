"""What a rider's meter shows on a day, from the physics, with the truth known.

Beside the sensor's own error a day adds what no bench sees: a zero that was set some days ago at
another temperature, the gain's own temperature, a mounting and a rider who are never quite the
same twice, and a head unit that shows whole watts. Legs, ring and chain come on top. Nothing here
knows how the effort will be evaluated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from seeds.devices import Meter
from seeds.generate import Larkmoor
from seeds.rides import EVENING, celsius_of, of_the_road
from seeds.scenario import N_DAYS

ZEROED_SHARE = 0.6
ZERO_REPEATS_NM = 0.03
DAY_PCT = 0.25  # what a meter repeats to from day to day
RPM = 90.0


@dataclass(frozen=True)
class Shown:
    """One effort: `true_w` the rider's watts, `sensor_w` what a sensor without error shows.

    road_ln: legs, ring and chain, 100·ln; zeroed: whether it was, said or not
    """

    day: int
    meter: Meter
    rider: str
    true_w: float
    sensor_w: float
    watts: int
    zeroed: bool
    road_ln: float


def shown_on(
    team: Larkmoor, meter: Meter, rider: str, day: int, true_w: float, rng: np.random.Generator
) -> Shown:
    """An effort of a rider on a meter."""
    t, celsius = day + EVENING, celsius_of(day, rng)
    zeroed = bool(rng.random() < ZEROED_SHARE)
    zero = float(rng.normal(0, ZERO_REPEATS_NM))
    if not zeroed:
        since = max(t - float(rng.exponential(14.0)), 0.0)
        zero += meter.zero(t, celsius) - meter.zero(since, celsius_of(since, rng))
    road = of_the_road(meter, team.legs, rider, t, rng)
    sensor_w = true_w * math.exp(road / 100)
    error = meter.error(t) + meter.warm * (celsius - 20) + float(rng.normal(0, DAY_PCT))
    omega = float(rng.normal(RPM, 5)) * 2 * math.pi / 60
    watts = round(sensor_w * math.exp(error / 100) + zero * omega)
    return Shown(day, meter, rider, true_w, sensor_w, watts, zeroed, road)


def ride_error(
    team: Larkmoor, meter: Meter, rider: str, day: int, rng: np.random.Generator
) -> tuple[float, float]:
    """A ride of a zeroed meter over an errorless sensor, and over its rider; 100·ln."""
    t = day + EVENING
    own = meter.error(t) + meter.warm * (celsius_of(day, rng) - 20)
    own += float(rng.normal(0, DAY_PCT))
    return own, own + of_the_road(meter, team.legs, rider, t, rng)


def rideable(team: Larkmoor, rider: str, *, days: int = 400) -> list[tuple[Meter, int]]:
    """Each meter and day of the last `days` on which a rider rode it."""
    return [
        (meter, day)
        for meter in team.meters.values()
        for day in range(N_DAYS - days, N_DAYS)
        if meter.in_use(day) and meter.rider(day) == rider
    ]


def pair_of(
    team: Larkmoor, rider: str, rng: np.random.Generator, *, same: bool, gain: float = 0.0
) -> tuple[Shown, Shown] | None:
    """Two efforts of a rider, at least a week apart, the second `gain` (a share) stronger."""
    able = rideable(team, rider)
    if not able:
        return None
    for _ in range(40):
        (first, on), (second, then) = (able[int(rng.integers(0, len(able)))] for _ in range(2))
        if then - on >= 7 and (first is second) == same:
            true = float(team.legs.power[rider] * rng.uniform(0.95, 1.1))
            return (
                shown_on(team, first, rider, on, true, rng),
                shown_on(team, second, rider, then, true * (1 + gain), rng),
            )
    return None
