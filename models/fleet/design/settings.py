"""State what the fleet model assumes before it has seen a team's data.

Sizes are 100·ln (percent, nearly), times years of 365.25 days. A prior on a standard deviation
is a normal on its logarithm: a median and how far (as a factor) it may be off. They are weak:
one meter with one session gets sensible wide intervals, thirty meters outvote them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf, log
from typing import Final

GROUP_KINDS: Final = (
    "start",
    "tie",
    "drift",
    "swap",
    "walk",
    "pair",
    "bench",
    "ride",
    "warmth_own",
)
"""Hyperparameters that each model group has of its own, pooled towards the fleet."""

EVENT_KINDS: Final = ("event", "crash", "service", "remount")
"""Hyperparameters of steps at recorded events: of each kind the fleet has cases of its own."""

FLEET_KINDS: Final = (
    "reference_walk",
    "mean_start",
    "mean_drift",
    "mean_swap",
    *EVENT_KINDS,
    "warmth",
    "rider",
)
"""Hyperparameters of the whole fleet."""

KINDS: Final = GROUP_KINDS + FLEET_KINDS

MEANING: Final[Mapping[str, str]] = {
    "start": "spread of new meters' gain error",
    "tie": "dependence of drift on the start: correlation tie / √(1 + tie²)",
    "drift": "spread of drift between meters (per year)",
    "swap": "spread of the step at a battery swap",
    "walk": "random walk of a meter after a year",
    "pair": "spread of the pair effect (drivetrain, setup)",
    "bench": "bench noise beyond the stated budget",
    "ride": "comparison noise beyond the stated one",
    "warmth_own": "spread of temperature coefficients between meters (per °C)",
    "reference_walk": "random walk of a reference after a year",
    "mean_start": "group means of new meters around zero",
    "mean_drift": "group mean drifts around the fleet's (per year)",
    "mean_swap": "group mean battery steps around the fleet's",
    "event": "steps at other recorded events, as a factor of their usual size",
    "crash": "steps at crashes, as a factor of their usual size",
    "service": "steps at services, as a factor of their usual size",
    "remount": "steps at remounts, new rings and cranks, as a factor of their usual size",
    "warmth": "group temperature coefficients around the fleet's (per °C)",
    "rider": "spread between riders of what a one-sided meter shows of them",
}


@dataclass(frozen=True)
class Prior:
    """A weak prior on a standard deviation: its median and the sd of its logarithm.

    between: sd of the logarithm between groups. For `tie`, which may be negative, a normal on
    the value itself with mean 0: `median` is its sd.
    """

    median: float
    spread: float = 1.0
    between: float = 0.35


DEFAULT_PRIORS: Final[Mapping[str, Prior]] = {
    "start": Prior(1.0, 0.8),
    "tie": Prior(0.4, 0.4, 0.2),
    "drift": Prior(0.3, 1.0),
    "swap": Prior(0.2, 1.0),
    "walk": Prior(0.3, 1.0),
    "pair": Prior(0.4, 1.0),
    "bench": Prior(0.15, 1.0),
    "ride": Prior(0.3, 1.0),
    "warmth_own": Prior(0.01, 1.0),
    "reference_walk": Prior(0.4, 1.0),
    "mean_start": Prior(0.1, 1.0),
    "mean_drift": Prior(0.3, 0.7),
    "mean_swap": Prior(0.2, 0.7),
    "event": Prior(0.5, 0.7),
    "crash": Prior(1.0, 0.7),
    "service": Prior(0.5, 0.7),
    "remount": Prior(0.5, 0.7),
    "warmth": Prior(0.01, 0.7),
    "rider": Prior(1.0, 1.0),
}

EVENT_KIND: Final[Mapping[str, str]] = {
    "crash": "crash",
    **dict.fromkeys(("service", "factory_service", "side_service"), "service"),
    **dict.fromkeys(("remount", "crank_change", "chainring_change"), "remount"),
}
"""The hyperparameter that scales an event's steps, where it is not `event`."""

REFERENCE_EVENT_SD: Final[Mapping[str, float]] = {
    "spindown": 0.7,
    "service": 1.0,
    "factory_service": 1.5,
    "firmware_update": 0.7,
    "crash": 1.0,
    "moved": 0.3,
}
"""The same for a trainer or ergometer, where something was done to it."""

WEIGHED_ON_SHARE: Final[Mapping[str, float]] = {"weighed": 0.9, "certificate": 0.5}
"""Share of a set's variance that it has in common with others from the same scale or laboratory.

A scale's own error and where it was adjusted are in all that it weighs, only its reading is new
each time; a laboratory's certificate is of about equal parts. Else (stamped, stated) as on paper:
a half.
"""
OTHER_SHARE: Final = 0.5

BENCH_EVENT_SD: Final[Mapping[str, float]] = {"recertified": 0.3, "service": 0.3}
"""The same for a mass set."""


@dataclass(frozen=True)
class FleetSettings:
    """How the fleet model is fitted.

    false_alarms_per_season   false alarms allowed in 365 days, the whole fleet, all charts
    priors                    weak priors by hyperparameter; None: none at all (pure REML)
    fixed                     hyperparameters held at a value (an sd; 0 changes the part off)
    mean_start_sd, mean_drift_sd, mean_swap_sd, mean_temperature_sd
                              prior sd of the fleet's mean start, drift, battery step and
                              temperature coefficient; inf: a fixed effect, as in REML
    reference_level_sd        prior sd of a reference's first level
    step_sd                   prior sd of a step that an alarm has put into the model
    ring_sd                   prior sd of what an oval ring adds to its meter's rides
    drive_sd                  prior sd of what a hub shows less than a meter at the crank
    usual_drive, usual_drive_sd
                              what a hub that was never ridden beside a meter at the crank shows
                              less than it: a chain passes on 96 to 99 % at a rider's power
                              (Spicer et al. 2001, J Mech Des 123:598; from memory)
    balance_sd                sd of a rider's balance from day to day, as a one-sided meter shows it
    unknown_temperature_sd    sd of a temperature coefficient (per °C) without data: what
                              makers' compensation may leave (common practice)
    temperature_needs         observations of known temperature that a group needs for one
    knot_days                 spacing of the knots of shared random walks
    most_shared               shared effects at most; knots move apart beyond
    swap_interval_years       usual time between battery swaps, before data
    robust, alarms            whether noise is weighted robustly, and mishaps are looked for
    tolerance                 gain of log posterior below which the estimation stops
    most_iterations           steps of the estimation at most
    """

    false_alarms_per_season: float = 1.0
    priors: Mapping[str, Prior] | None = field(default_factory=lambda: dict(DEFAULT_PRIORS))
    fixed: Mapping[str, float] = field(default_factory=dict)
    mean_start_sd: float = 0.0
    mean_drift_sd: float = 0.7
    mean_swap_sd: float = 0.5
    mean_temperature_sd: float = 0.05
    reference_level_sd: float = 5.0
    step_sd: float = 3.0
    ring_sd: float = 2.5
    drive_sd: float = 2.5
    usual_drive: float = -2.2
    usual_drive_sd: float = 0.9
    balance_sd: float = 0.5
    unknown_temperature_sd: float = 0.02
    knot_days: float = 30.0
    most_shared: int = 1600
    swap_interval_years: float = 0.7
    temperature_needs: int = 200
    robust: bool = True
    alarms: bool = True
    tolerance: float = 1e-3
    most_iterations: int = 60

    def prior(self, kind: str) -> Prior | None:
        """Return the prior of one hyperparameter, or None."""
        return None if self.priors is None else self.priors[kind]


def start_value(kind: str) -> float:
    """Return where a hyperparameter's estimation begins (log sd; `tie` as it is)."""
    return 0.0 if kind == "tie" else log(DEFAULT_PRIORS[kind].median)


OFF: Final = -inf
"""Log sd of a part that is switched off."""
