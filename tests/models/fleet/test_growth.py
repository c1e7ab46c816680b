"""A fleet four times as large takes four times the work and memory, not sixteen times.

Counted, not timed: Python's calls say where something is looked at once for each pair of meters,
the peak of allocated bytes where a matrix has a row and a column a meter.
"""

from __future__ import annotations

import cProfile
import pstats
import tracemalloc
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from models.fleet import FleetData, FleetSettings, Hyper, condition, fit
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleets import SCENARIOS, Fleet, simulate_fleet

SIZES = (20, 80, 320)
MOST = 1.2


def fleet_of(n_meters: int) -> Fleet:
    options = replace(
        SCENARIOS["usual"], n_meters=n_meters, n_trainers=4, years=1.0, comparison_rate=6.0
    )
    return simulate_fleet(options, 5)


def calls(data: FleetData, hyper: Hyper, fleet: Fleet) -> float:
    """Python's calls while the fleet is looked at once, at given hyperparameters."""
    profile = cProfile.Profile()
    profile.runcall(condition, data, hyper, today=fleet.today)
    return float(pstats.Stats(profile).total_calls)  # type: ignore[attr-defined]


def peak(data: FleetData, hyper: Hyper, fleet: Fleet) -> float:
    """The most bytes that are allocated at a time meanwhile."""
    tracemalloc.start()
    try:
        condition(data, hyper, today=fleet.today)
        return float(tracemalloc.get_traced_memory()[1])
    finally:
        tracemalloc.stop()


@pytest.fixture(scope="module")
def fleets() -> tuple[list[Fleet], Hyper]:
    """Fleets of each size, and the hyperparameters of the smallest."""
    all_sizes = [fleet_of(n) for n in SIZES]
    first, settings = all_sizes[0], FleetSettings(robust=False)
    return all_sizes, fit(fleet_data(first), today=first.today, settings=settings).hyper


@pytest.mark.parametrize("measure", [calls, peak])
def test_work_and_memory_grow_with_the_meters(
    measure: Callable[[FleetData, Hyper, Fleet], float], fleets: tuple[list[Fleet], Hyper]
) -> None:
    """What is the same for every size cancels in the differences: of n^k they grow by 4^k."""
    found = [measure(fleet_data(fleet), fleets[1], fleet) for fleet in fleets[0]]
    first, second = np.diff(found)
    exponent = np.log(second / first) / np.log(SIZES[1] / SIZES[0])
    assert exponent < MOST, f"grows with the power {exponent:.2f} of the number of meters"
