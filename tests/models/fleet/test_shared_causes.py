"""What all meters show at once: a season without a thermometer, a mass set that changes."""

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm
from statsmodels.regression.linear_model import OLS

from models.fleet import FleetData, FleetFit, FleetSettings, Posterior, condition, fit
from models.fleet.alarms import estimate_proposals
from models.fleet.alarms.scan_shared import shared_scans
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleets import SCENARIOS, Fleet, simulate_fleet

ALONE = replace(SCENARIOS["the set steps"], n_meters=36, early_exit=0.0)
SHARED = pl.col("device_kind").is_in(["bench", "group"])


def errors(fleet: Fleet, fitted: FleetFit) -> tuple[np.ndarray, np.ndarray]:
    """Errors of today's gain errors, and their stated sds."""
    truth = fleet.gain_errors_ln(fleet.today)
    mean, sd = fitted.gain_error(list(truth), fleet.today)
    return mean - np.array(list(truth.values())), sd


def test_a_season_without_a_thermometer_is_no_row_of_steps_of_the_masses():
    """−0.04 % a degree, 9 °C between the year's mean and its ends: highest in mid-January."""
    fleet = simulate_fleet(replace(SCENARIOS["unwritten season"], n_meters=36), 3)
    fitted = fit(fleet_data(fleet), today=fleet.today)
    shared = fitted.alarms.filter(SHARED)
    assert shared["kind"].unique().to_list() == ["season"]
    for row in shared.to_dicts():
        assert row["size_pct"] == pytest.approx(0.36, abs=0.15)
        from_peak = abs((row["date"] - date(row["date"].year, 1, 15)).days)
        assert min(from_peak, 365 - from_peak) < 40
        assert "temperature_c" in row["text"]
    error, sd = errors(fleet, fitted)
    assert np.sqrt(np.mean(error**2)) < 0.45
    assert np.mean(np.abs(error) < 1.645 * sd) > 0.75


@pytest.fixture(scope="module")
def stepped() -> tuple[Fleet, FleetFit]:
    """All sessions on one mass set that reads 0.8 % more from some day on, unrecorded."""
    fleet = simulate_fleet(ALONE, 3)
    return fleet, fit(fleet_data(fleet), today=fleet.today)


def test_a_step_of_the_only_mass_set_is_proposed_and_not_carried(stepped):
    """Nothing tells it from a change that all meters share: said, left out, and left open."""
    fleet, fitted = stepped
    [row] = fitted.alarms.filter(SHARED).to_dicts()
    [jump] = fleet.truth.jumps
    assert (row["device_id"], row["kind"]) == ("set-1", "step")
    assert row["size_pct"] == pytest.approx(0.8, abs=0.3)
    assert abs((row["date"] - fleet.options.first_day).days - jump.day) < 60
    assert "until the set is weighed again" in row["text"]
    assert [e.proposed for e in fitted.effects if e.device_kind == "bench"] == [True]
    _, sd = errors(fleet, fitted)
    known = condition(fleet_data(fleet), fitted.hyper, today=fleet.today, weights=fitted.weights)
    without, plain = errors(fleet, known)
    assert np.median(sd) > 1.3 * np.median(plain)
    assert np.mean(np.abs(without) < 1.645 * sd) > np.mean(np.abs(without) < 1.645 * plain) + 0.3
    assert fitted.gain_error("set-1", fleet.today)[1][0] > 0.4


def test_intervals_hold_what_a_proposal_leaves_open(stepped):
    """With the change and without it: p times its expected square, p by Bayes' rule.

    By hand: its size is seen as N(0, sd²) without a change, as N(0, sd² + prior²) with one; the
    prior is the certificate's (0.3 at least), a change 0.08 times a year.
    """
    fleet, fitted = stepped
    error, sd = errors(fleet, fitted)
    assert np.mean(np.abs(error) < 1.645 * sd) > 0.8
    [effect] = [e for e in fitted.effects if e.proposed]
    [found] = estimate_proposals(fitted.posterior.state, [effect]).values()
    with_it, without = (
        norm.pdf(found.size, scale=np.hypot(found.sd, prior)) for prior in (0.3, 0.0)
    )
    odds = 0.08 * max(effect.at - effect.since, 2 / 365.25) * with_it / without
    [open_] = fitted.posterior.left_open
    expected = odds / (1 + odds) * (found.size**2 + found.sd**2)
    assert open_.variance == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("size", [0.2, 0.6, 1.0, 2.0, 3.0, 6.0])
def test_an_interval_that_leaves_a_size_out_holds_it_in_nine_of_ten_or_a_few_more(size):
    """The truth is the mean and a size, in sds: Φ(h − size) − Φ(−h − size) by scipy."""
    unsure = np.diag([0.3**2, size**2 * 1.25])  # one hyperparameter, one change left open
    open_ = SimpleNamespace(
        left_open=[None], active=[0], unsure=unsure, hyper_covariance=unsure[:1, :1]
    )
    J, variance = np.array([[5 / 3, 1.0]]), np.array([1.0])
    J = Posterior.with_left_open(open_, J, variance)
    known = np.sqrt(variance + 0.25)  # a hyperparameter's part counts as known spread
    half = 1.6449 * np.sqrt(variance + np.einsum("ti,ti->t", J @ unsure, J)) / known
    held = norm.cdf(half - size) - norm.cdf(-half - size)
    assert 0.897 < held < 0.951  # as a variance alone 0.9999 at six sds


def test_all_ways_to_ask_leave_the_same_open(stepped):
    fleet, fitted = stepped
    meters = fitted.prepared.devices.meters
    one = fitted.gain_error(meters, fleet.today)
    ahead = fitted.forecast(fleet.today, np.array([0.0]))
    joint = fitted.joint([(("meter", m), fleet.today) for m in meters])
    np.testing.assert_allclose(ahead[1][:, 0], one[1], rtol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diag(joint[1])), one[1], rtol=1e-6)


def test_kept_proposals_stay_out_of_the_estimates(stepped):
    fleet, fitted = stepped
    again = condition(
        fleet_data(fleet),
        fitted.hyper,
        today=fleet.today,
        effects=fitted.effects,
        weights=fitted.weights,
    )
    for one, two in zip(errors(fleet, fitted), errors(fleet, again), strict=True):
        np.testing.assert_allclose(two, one, atol=1e-6)


def test_a_weighing_that_found_a_change_is_believed(stepped):
    """The set was weighed half a year later and found changed: the step is carried."""
    fleet, fitted = stepped
    [jump] = fleet.truth.jumps
    weighed = fleet.options.first_day + timedelta(days=jump.day + 180)
    event = {"bench_id": "set-1", "on": weighed, "event": "recertified", "size_pct": 0.8}
    data = fleet_data(fleet)
    told = replace(data, events=pl.concat([data.events, pl.DataFrame([event])], how="diagonal"))
    carried = fit(told, today=fleet.today)
    assert [e.proposed for e in carried.effects if e.device_kind == "bench"] == [False]
    believed, left_out = errors(fleet, carried)[0], errors(fleet, fitted)[0]
    assert np.sqrt(np.mean(believed**2)) < 0.5 * np.sqrt(np.mean(left_out**2))


def test_a_step_beside_other_sets_is_carried():
    options = replace(SCENARIOS["one of three sets steps"], n_meters=36)
    fleet = simulate_fleet(options, 2)
    fitted = fit(fleet_data(fleet), today=fleet.today)
    [jump] = fleet.truth.jumps
    [row] = fitted.alarms.filter(SHARED).to_dicts()
    assert row["device_id"] == jump.device_id
    assert not any(e.proposed for e in fitted.effects)
    error, _ = errors(fleet, fitted)
    assert np.sqrt(np.mean(error**2)) < 0.4


def test_a_season_is_the_cosinor():
    """Amplitude, peak and z² of a yearly swing, as least squares on cos and sin finds them.

    Source: the single cosinor, Nelson et al., Chronobiologia 6 (1979) 305; statsmodels' OLS with
    the fitted noise. Every meter is read once, so that nothing else is estimated.
    """
    rng = np.random.default_rng(8)
    day = rng.integers(0, 900, 200)
    years = 54.0 + (day + 0.5) / 365.25
    found = 0.3 * np.cos(2 * np.pi * (years - 0.1)) + rng.normal(0, 0.5, 200)
    first = date(1970, 1, 1) + timedelta(days=54 * 365 + 13)
    ids = [f"m{i}" for i in range(200)]
    on = [first + timedelta(days=int(d)) for d in day]
    bench = {"session_id": ids, "meter_id": ids, "at": on, "found": found, "u_session": 0.0}
    data = FleetData(
        meters=pl.DataFrame({"meter_id": ids, "group": "all", "in_service_on": first}),
        bench=pl.DataFrame(bench),
    )
    still = dict.fromkeys(("start", "drift", "walk", "swap", "tie"), 0.0)
    settings = FleetSettings(
        priors=None, fixed=still, mean_start_sd=np.inf, mean_drift_sd=np.inf, alarms=False
    )
    fitted = fit(data, today=first, settings=replace(settings, robust=False))
    [scan] = [s for s in shared_scans(fitted.posterior.state) if s.kind == "season"]
    obs = fitted.prepared.obs
    age = obs.t - fitted.prepared.devices.service[obs.owner]
    x = np.stack([np.ones(200), age, *_waves(obs.t)], axis=1)
    line = OLS(obs.value, x).fit(cov_type="fixed scale")
    wald = line.params[2:] @ np.linalg.solve(line.cov_params()[2:, 2:], line.params[2:])
    noise = np.hypot(fitted.hyper.sd("bench")[0], 1e-3)  # 1e-3: the least stated uncertainty
    assert scan.size[0] == pytest.approx(np.hypot(*line.params[2:]))
    peak = np.arctan2(line.params[3], line.params[2]) / (2 * np.pi)
    assert (scan.at[0] - peak + 0.5) % 1.0 == pytest.approx(0.5, abs=1e-6)
    assert scan.z[0] ** 2 == pytest.approx(wald / noise**2, rel=1e-3)


def _waves(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.cos(2 * np.pi * t), np.sin(2 * np.pi * t)
