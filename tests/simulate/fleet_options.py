"""What happens in a simulated fleet: groups of meters, evidence, mishaps.

Sizes and standard deviations are 100·ln, rates are per meter and year.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np


@dataclass(frozen=True)
class Group:
    """How the meters of one model group age; 100·ln, years."""

    name: str
    share: float = 1.0
    level_sd: float = 1.0
    drift: float = 0.0
    drift_sd: float = 0.3
    level_drift_corr: float = 0.0
    battery_step: float = 0.0
    battery_step_sd: float = 0.1
    battery_life: float = 0.6
    walk: float = 0.3  # sd of the random walk after a year
    temperature: float = 0.0  # mean effect per °C away from 20
    temperature_sd: float = 0.0


THREE_GROUPS = (
    Group("alder", 0.40, 1.0, 0.40, 0.35, 0.2, 0.0, 0.10, 0.8, 0.30),
    Group("birch", 0.35, 1.2, -0.60, 0.50, 0.0, 0.45, 0.30, 0.5, 0.40),
    Group("cedar", 0.25, 0.8, 0.10, 0.20, -0.3, 0.0, 0.05, 1.2, 0.20),
)


@dataclass(frozen=True)
class FleetOptions:
    """What happens in a simulated fleet. Rates are per meter and year, sizes 100·ln."""

    n_meters: int = 120
    years: float = 3.5
    first_day: date = date(2023, 2, 1)
    groups: tuple[Group, ...] = THREE_GROUPS
    # evidence
    bench_rate: float = 2.0
    comparison_rate: float = 12.0
    rate_spread: float = 0.0  # sd of ln(rate) between meters
    bunched: bool = False  # rides in winter, bench days before the season
    never_benched: float = 0.0
    late_entry: float = 0.25
    early_exit: float = 0.08
    # benches, places, cranks
    bench_u: tuple[float, ...] = (0.003, 0.05, 0.3)
    scale_u: float = 0.0  # one scale weighed all sets: its own error, beside theirs
    place_u: tuple[float, ...] = (0.02, 0.15)
    crank_u: float = 0.167
    crank_moves: float = 0.1
    session_u: float = 0.22
    session_u_spread: float = 0.3
    session_extra: float = 0.1  # sd of what no budget states
    # references
    n_trainers: int = 4
    trainer_level_sd: float = 1.5
    trainer_walk: float = 0.35
    pair_sd: float = 0.4
    meter_references: int = 0  # so many meters also serve as references
    ride_u: float = 0.35
    ride_u_spread: float = 0.35
    ride_extra: float = 0.25
    estimated_u: bool = False  # stated u is an estimate with few degrees of freedom
    heavy_tails: float = 0.0  # degrees of freedom of the noise; 0: normal
    cold_hall: bool = False  # the bench stands in a hall as warm or cold as the rides
    thermometer: bool = True  # temperatures are written down
    # resets
    reset_limit: float = 0.8
    reset_chance: float = 0.9
    rounding: float = 0.15  # width of the slope's step
    unrecorded_resets: float = 0.0  # share of the meters
    # what goes wrong
    wild_share: float = 0.0
    strikes: int = 0
    strike_size: tuple[float, float] = (2.0, 3.5)
    strikes_together: bool = False  # all on the day on which the quiet tail begins
    wrong_entries: int = 0
    trainer_jump: float = 0.0
    bench_jump: float = 0.0
    noisy_meters: int = 0
    noise_spread: float = 0.0  # sd of ln(noise) between meters, as nobody states it
    quiet_tail: float = 0.5  # years before the end in which nothing goes wrong


def no_drift(options: FleetOptions) -> FleetOptions:
    """The same fleet, with nothing in it that ever moves."""
    still = tuple(
        replace(
            g, drift=0, drift_sd=0, battery_step=0, battery_step_sd=0, walk=0, level_drift_corr=0
        )
        for g in options.groups
    )
    return replace(options, groups=still, trainer_walk=0.0)


def varied(options: FleetOptions, seed: int) -> FleetOptions:
    """The same fleet with other group parameters, drawn widely."""
    rng = np.random.default_rng([seed, 77])
    groups = tuple(
        replace(
            g,
            level_sd=g.level_sd * rng.uniform(0.6, 1.6),
            drift=float(rng.normal(0, 0.6)),
            drift_sd=g.drift_sd * rng.uniform(0.4, 1.8),
            level_drift_corr=float(rng.uniform(-0.5, 0.5)),
            battery_step=g.battery_step * rng.uniform(0.3, 1.5),
            battery_step_sd=g.battery_step_sd * rng.uniform(0.3, 1.8),
            walk=g.walk * rng.uniform(0.3, 1.8),
        )
        for g in options.groups
    )
    return replace(
        options,
        groups=groups,
        trainer_walk=options.trainer_walk * rng.uniform(0.3, 1.8),
        pair_sd=options.pair_sd * rng.uniform(0.4, 1.6),
        ride_extra=options.ride_extra * rng.uniform(0.2, 1.6),
        session_extra=options.session_extra * rng.uniform(0.0, 2.0),
    )


USUAL = FleetOptions()
ONE_SET = replace(USUAL, n_meters=60, bench_u=(0.2,), bench_rate=4.0)
BENCH_ALONE = replace(ONE_SET, n_trainers=0, comparison_rate=0.0)


def unwritten_season(options: FleetOptions) -> FleetOptions:
    """The same fleet, every sensor 0.04 % a degree, in an unheated hall without a thermometer."""
    warm = tuple(replace(g, temperature=-0.04) for g in options.groups)
    return replace(options, groups=warm, cold_hall=True, thermometer=False)


SCENARIOS: dict[str, FleetOptions] = {
    "usual": USUAL,
    "bench only": replace(USUAL, n_meters=40, comparison_rate=0.0, n_trainers=0),
    "no drift": no_drift(USUAL),
    "awkward": replace(
        USUAL, wild_share=0.03, strikes=8, wrong_entries=6, trainer_jump=2.4, unrecorded_resets=0.04
    ),
    "lean": replace(USUAL, n_meters=60, bench_rate=0.8, comparison_rate=4.0),
    "heavy tails": replace(USUAL, heavy_tails=4.0),
    "seasonal": replace(
        USUAL,
        bunched=True,
        rate_spread=0.6,
        groups=tuple(replace(g, temperature_sd=0.03) for g in THREE_GROUPS),
    ),
    "estimated u": replace(USUAL, estimated_u=True),
    "meters beside meters": replace(USUAL, n_trainers=2, meter_references=4, crank_moves=0.3),
    "unwritten season": unwritten_season(BENCH_ALONE),
    "unwritten season, rides": unwritten_season(replace(ONE_SET, bench_rate=2.0)),
    "unwritten season, three sets": unwritten_season(USUAL),
    "the set steps": replace(BENCH_ALONE, bench_jump=0.8),
    "the set steps, rides": replace(ONE_SET, bench_rate=2.0, bench_jump=0.8),
    "three sets from one scale": replace(
        USUAL, n_meters=60, bench_u=(0.1, 0.1, 0.1), scale_u=0.28, place_u=(0.02,)
    ),
    "one of three sets steps": replace(USUAL, n_meters=60, bench_jump=0.8),
}
