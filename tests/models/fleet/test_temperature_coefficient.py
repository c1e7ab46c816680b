"""The temperature coefficient of the gain: fitted where a group carries it, wide where not."""

from dataclasses import replace

import numpy as np
import pytest

from models.fleet import FleetData, FleetSettings, condition, fit
from models.status.meter_rows import temperature
from tests.models.fleet.fleet_brute import Reading, covariance, readings, small_fleet
from tests.models.fleet.test_fleet_exact import SETTINGS, TODAY, known_hyper
from tests.simulate.fleets import THREE_GROUPS, FleetOptions, simulate_fleet


def test_coefficients_against_brute_force():
    """Conditional mean and variance of each meter's coefficient in the dense joint normal."""
    fitted = condition(small_fleet(), known_hyper(), today=TODAY, settings=SETTINGS)
    data = small_fleet()
    what, y, noise = readings(data)
    K = covariance(data, what, what, {}) + np.diag(noise)
    meters = [m for m in data.meters["meter_id"] if m != "m1"]
    asked = [Reading(0.0, ((1.0, "warm", m),), 1.0) for m in meters]
    cross = covariance(data, what, asked, {})
    mean = cross.T @ np.linalg.solve(K, y)
    var = np.diag(covariance(data, asked, asked, {}) - cross.T @ np.linalg.solve(K, cross))
    frame = fitted.temperature_coefficients().filter(~(np.array(data.meters["meter_id"]) == "m1"))
    assert frame["warmth_known"].all()
    assert frame["warmth_ln"].to_numpy() == pytest.approx(mean, abs=1e-5)
    assert frame["warmth_sd_ln"].to_numpy() == pytest.approx(np.sqrt(var), abs=1e-5)


@pytest.fixture(scope="module")
def warm_fleet():
    """The first group reads 0.03 % more a degree, its meters 0.01 around it."""
    groups = (replace(THREE_GROUPS[0], temperature=0.03, temperature_sd=0.01), *THREE_GROUPS[1:])
    fleet = simulate_fleet(FleetOptions(n_meters=30, years=3.0, groups=groups), 5)
    names = ("meters", "bench", "comparisons", "resets", "events", "references", "benches")
    return fleet, FleetData(**{name: fleet.frames[name] for name in names})


def test_two_hundred_observations_carry_a_coefficient(warm_fleet):
    fleet, data = warm_fleet
    found = fit(
        data, today=fleet.today, settings=FleetSettings(alarms=False)
    ).temperature_coefficients()
    alder = [m.meter_id for m in fleet.truth.meters.values() if m.group.name == "alder"]
    rows = found.filter(found["meter_id"].is_in(alder))
    assert rows["warmth_known"].all()
    error = rows["warmth_ln"].to_numpy() - [fleet.truth.meters[m].temperature for m in alder]
    assert np.sqrt(np.mean(error**2)) < 0.012
    assert np.mean(np.abs(error) < 1.645 * rows["warmth_sd_ln"].to_numpy()) >= 0.7


def test_where_nothing_tells_use_from_2_to_38_degrees_widens_the_interval(warm_fleet):
    fleet, data = warm_fleet
    few = FleetSettings(alarms=False, temperature_needs=10**6)
    found = fit(data, today=fleet.today, settings=few).temperature_coefficients()
    assert not found["warmth_known"].any()
    assert set(found["warmth_sd_ln"]) == {0.02}
    told = temperature(0.5, 0.2, (0.0, 0.02, False))
    half = 1.6449 * np.hypot(0.2, 18 * 0.02)  # by hand: ± 0.677 instead of ± 0.329
    assert told["coefficient_pct_per_c"] is None
    assert told["interval90_in_use_pct"] == pytest.approx([0.5 - half, 0.5 + half], abs=1e-3)


def test_a_known_coefficient_shifts_both_ends():
    told = temperature(0.0, 0.1, (0.05, 0.0, True))
    assert told["interval90_in_use_pct"] == pytest.approx([-0.9 - 0.16449, 0.9 + 0.16449], abs=1e-4)
