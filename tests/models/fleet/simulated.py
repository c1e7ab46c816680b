"""Simulated fleets as the fleet model takes them."""

from __future__ import annotations

from models.fleet import FleetData
from tests.simulate.fleets import SCENARIOS, Fleet, FleetOptions, simulate_fleet, varied

UNVARIED = ("no drift",)
DATA_FRAMES = ("meters", "bench", "comparisons", "resets", "events", "references", "benches")


def drawn(scenario: str, seed: int) -> Fleet:
    """A scenario's fleet of this seed; group parameters differ from fleet to fleet."""
    options: FleetOptions = SCENARIOS[scenario]
    return simulate_fleet(options if scenario in UNVARIED else varied(options, seed), seed)


def fleet_data(fleet: Fleet) -> FleetData:
    """The simulated fleet as the model takes it."""
    return FleetData(**{name: fleet.frames[name] for name in DATA_FRAMES})
