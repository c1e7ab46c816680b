"""Draws the devices of a simulated fleet: meters, trainers, mass sets, places, cranks."""

from __future__ import annotations

import math

import numpy as np

from models.metrology import Array
from tests.simulate.fleet_options import FleetOptions, Group
from tests.simulate.fleet_truth import YEAR, Jump, MeterTruth, Strike, Truth, Unrecorded, World


def draw_world(options: FleetOptions, rng: np.random.Generator) -> World:
    """All devices with their true courses, and what befalls them."""
    n_days = round(options.years * YEAR)
    truth = Truth(
        meters={m.meter_id: m for m in _draw_meters(options, n_days, rng)},
        references=_draw_trainers(options, n_days, rng),
        benches={f"set-{i + 1}": rng.normal(0, u) for i, u in enumerate(options.bench_u)},
        places={f"place-{i + 1}": rng.normal(0, u) for i, u in enumerate(options.place_u)},
    )
    if options.scale_u:
        truth.scale = float(rng.normal(0, options.scale_u))
        truth.benches = {name: truth.scale + own for name, own in truth.benches.items()}
    world = World(options, n_days, truth, rng)
    _draw_cranks(world)
    _strike(world)
    _jump(world)
    for meter_id in world.some(world.settled(), options.noisy_meters):
        truth.noisy[meter_id] = int(rng.uniform(0.4, 0.7) * n_days)
    n_unrecorded = round(options.unrecorded_resets * options.n_meters)
    for meter_id in world.some(world.settled(), n_unrecorded):
        day = int(rng.uniform(0.3, 0.8) * n_days) + 0.5
        truth.planned[meter_id] = Unrecorded(meter_id, day, float(rng.normal(0, 1.2)))
    return world


def _draw_meters(options: FleetOptions, n_days: int, rng: np.random.Generator) -> list[MeterTruth]:
    shares = np.array([g.share for g in options.groups])
    bounds = np.cumsum(shares / shares.sum()) * options.n_meters
    meters = []
    for i in range(options.n_meters):
        group = options.groups[min(int(np.searchsorted(bounds, i + 0.5)), len(bounds) - 1)]
        start = -int(rng.uniform(0, 2.0) * YEAR)
        if rng.random() < options.late_entry:
            start = int(rng.uniform(0.05, 0.75) * n_days)
        stop = None
        if rng.random() < options.early_exit:
            stop = int(rng.uniform(max(start, 0) + 0.3 * (n_days - max(start, 0)), n_days))
        meter = MeterTruth(f"M{i + 1:04d}", group, start, stop, _sensor(group, n_days - start, rng))
        meter.temperature = group.temperature + group.temperature_sd * rng.normal()
        if options.noise_spread:
            meter.noise = math.exp(options.noise_spread * rng.normal())
        _swap_batteries(meter, n_days, rng)
        meters.append(meter)
    return meters


def _sensor(group: Group, n: int, rng: np.random.Generator) -> Array:
    """Sensor error on n days: a level, a drift correlated with it, a random walk."""
    z0, z1 = rng.normal(size=2)
    rho = group.level_drift_corr
    drift = group.drift + group.drift_sd * (rho * z0 + math.sqrt(1 - rho**2) * z1)
    walk = np.cumsum(rng.normal(0, group.walk / math.sqrt(YEAR), n))
    path: Array = group.level_sd * z0 + drift * np.arange(n) / YEAR + walk
    return path


def _swap_batteries(meter: MeterTruth, n_days: int, rng: np.random.Generator) -> None:
    group = meter.group
    day = meter.start + rng.gamma(6, group.battery_life / 6) * YEAR
    while day < n_days - 3:
        meter.battery_days.append(int(day))
        step = rng.normal(group.battery_step, group.battery_step_sd)
        meter.sensor[int(day) - meter.start :] += step
        day += max(20.0, rng.gamma(6, group.battery_life / 6) * YEAR)


def _draw_trainers(
    options: FleetOptions, n_days: int, rng: np.random.Generator
) -> dict[str, Array]:
    """Trainers' gain errors by day; on average they read 2 % low (drivetrain loss)."""
    paths = {}
    for i in range(options.n_trainers):
        level = rng.normal(-2.0, options.trainer_level_sd)
        steps = rng.normal(0, options.trainer_walk / math.sqrt(YEAR), n_days)
        paths[f"T{i + 1}"] = level + np.cumsum(steps)
    return paths


def _draw_cranks(world: World) -> None:
    for i, meter in enumerate(world.truth.meters.values()):
        meter.cranks.append((-math.inf, f"C{i + 1:04d}"))
        if world.rng.random() < world.options.crank_moves:
            day = int(world.rng.uniform(0.2, 0.8) * world.n_days)
            meter.cranks.append((float(day), f"C{i + 1:04d}b"))
        for _, crank in meter.cranks:
            world.truth.cranks[crank] = float(world.rng.normal(0, world.options.crank_u))


def _strike(world: World) -> None:
    for meter_id in world.some(world.settled(), world.options.strikes):
        meter = world.truth.meters[meter_id]
        first = max(meter.start, 0) + 150
        last = world.n_days - world.options.quiet_tail * YEAR
        day = int(world.rng.uniform(first, max(first + 1, last)))
        day = int(last) if world.options.strikes_together else day
        size = float(world.rng.uniform(*world.options.strike_size) * world.rng.choice([-1.0, 1.0]))
        meter.sensor[day - meter.start :] += size
        world.truth.strikes.append(Strike(meter_id, day, size))


def _jump(world: World) -> None:
    options, truth, rng = world.options, world.truth, world.rng
    if options.trainer_jump and truth.references:
        trainer = str(rng.choice(list(truth.references)))
        day = int(rng.uniform(0.35, 0.8) * world.n_days)
        size = options.trainer_jump * float(rng.choice([-1.0, 1.0]))
        truth.references[trainer][day:] += size
        truth.jumps.append(Jump(trainer, day, size))
    if options.bench_jump:
        day = int(rng.uniform(0.35, 0.7) * world.n_days)
        truth.jumps.append(Jump(str(rng.choice(list(truth.benches))), day, options.bench_jump))
