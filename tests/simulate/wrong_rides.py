"""Rides beside a reference that is not straight, or not warm, with the truth known.

A trainer's brake is calibrated at a power or two; between and beyond them its gain changes with
the power. Brake and belt warm up for a quarter of an hour. Steps that only rise confound both.
The true gain is the ratio over the ride: at its mean power, in its middle.
"""

from __future__ import annotations

import numpy as np

from models.metrology import Array
from tests.simulate.rides import (
    Mishaps,
    Pair,
    autoregressive,
    outdoor_ride,
    pair_from_power,
    random_truth,
    step_ride,
)

HZ = 4
MARGIN_S = 200
WARMS_IN_S = 900.0


def rising_steps(rng: np.random.Generator, seconds: float) -> tuple[Array, Array]:
    """Six to nine equal steps from 110 to 340 W in order: power (W) and cadence (rpm), 4 Hz."""
    n, steps = int(seconds * HZ), int(rng.integers(6, 10))
    ridden = np.linspace(0, 1, n)
    at = np.clip((ridden * seconds - MARGIN_S) / (seconds - 2 * MARGIN_S), 0, 1 - 1e-9)
    step = np.floor(at * steps).astype(int)
    levels = np.linspace(rng.uniform(100, 130), rng.uniform(310, 350), steps)
    turning = rng.uniform(78, 100, steps)
    power = levels[step] * np.exp(
        autoregressive(rng, n, 8 * HZ, 0.03) + autoregressive(rng, n, HZ, 0.03)
    )
    return power, turning[step] + autoregressive(rng, n, 10 * HZ, 1.5)


RIDES = {"steps": step_ride, "outdoor": outdoor_ride, "rising": rising_steps}


def wrong_pair(
    rng: np.random.Generator,
    kind: str,
    *,
    bend_pct: float = 0.0,
    warming_pct: float = 0.0,
    minutes: float = 40.0,
) -> Pair:
    """A pair whose reference bends by so much a 100 W, or grows by so much while it warms up."""
    seconds = minutes * 60 + 2 * MARGIN_S
    power, cadence = RIDES[kind](rng, seconds)
    inside = slice(MARGIN_S * HZ, -MARGIN_S * HZ)
    ridden = power[inside][power[inside] > 0]
    t = np.maximum(np.arange(len(power)) / HZ - MARGIN_S, 0.0)
    warm = 1 - np.exp(-t / WARMS_IN_S)
    grown = warm - np.average(warm[inside], weights=power[inside])
    middle = float(np.mean(ridden))
    seen = power * (1 + bend_pct / 100 * (power - middle) / 100 + warming_pct / 100 * grown)
    return pair_from_power(
        rng, power, cadence, random_truth(rng), mishaps=Mishaps(), reference_power=seen
    )
