"""The fleet model against brute force: likelihood, gradient, predictions, joint covariances."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from models.fleet import KINDS, Effect, FleetSettings, Hyper, Posterior, condition
from models.fleet.design.preparation import prepare
from models.fleet.design.settings import FLEET_KINDS, GROUP_KINDS
from models.fleet.inference.derivatives import curvature, gradient
from models.fleet.inference.hyper import starting_hyper
from models.fleet.inference.likelihood import evaluate
from tests.models.fleet.fleet_brute import (
    VALUES,
    Reading,
    at,
    covariance,
    readings,
    slope,
    small_fleet,
)

SETTINGS = FleetSettings(robust=False, alarms=False, knot_days=0.001, temperature_needs=5)
TODAY = date(2024, 1, 1)


def known_hyper() -> Hyper:
    hyper = starting_hyper(["alder", "birch"], SETTINGS, set(KINDS))
    values = hyper.values.copy()
    for i, (kind, g) in enumerate(hyper.keys):
        value = VALUES[kind][g] if g >= 0 else VALUES[kind]
        values[i] = value if kind == "tie" else np.log(value)
    return replace(hyper, values=values)


BENT = {"alder": (0.8, 0.3), "birch": (-0.6, 0.2)}
SHAPES = [Effect("shape", "group", g, 0.0, factor=k, sd=sd) for g, (k, sd) in BENT.items()]


@pytest.fixture(scope="module", params=[{}, BENT], ids=["lines", "shapes"])
def bent(request):
    return request.param


@pytest.fixture(scope="module")
def fitted(bent):
    return condition(
        small_fleet(),
        known_hyper(),
        today=TODAY,
        settings=SETTINGS,
        effects=SHAPES if bent else (),
    )


def test_every_hyperparameter_has_a_value():
    assert set(VALUES) == set(GROUP_KINDS) | set(FLEET_KINDS)


def test_log_likelihood(fitted, bent):
    """The density of all observations as one dense multivariate normal."""
    what, y, noise = readings(small_fleet())
    K = covariance(small_fleet(), what, what, bent) + np.diag(noise)
    _, log_det = np.linalg.slogdet(K)
    dense = -0.5 * (log_det + y @ np.linalg.solve(K, y) + len(y) * np.log(2 * np.pi))
    assert fitted.posterior.state.log_likelihood == pytest.approx(dense, abs=1e-5)


def test_joint_prediction(fitted, bent):
    """Conditional mean and covariance of meters, references and a mass set, past and future."""
    data = small_fleet()
    asked = [("m0", 100.2), ("m0", 650.0), ("m1", 333.3), ("m4", 600.0), ("m5", -20.0)]
    asked += [("m1", 335.0), ("T1", 400.0), ("T1", 690.0), ("T2", 402.0), ("steel", 1.0)]
    kinds = {"T1": "reference", "T2": "reference", "steel": "bench"}
    targets = [Reading(day, ((1.0, kinds.get(d, "meter"), d),)) for d, day in asked]
    what, y, noise = readings(data)
    K = covariance(data, what, what, bent) + np.diag(noise)
    cross = covariance(data, what, targets, bent)
    prior = covariance(data, targets, targets, bent)
    off = np.array([slope(data, d, day) for d, day in asked])
    mean, cov = fitted.joint([(d, at(day)) for d, day in asked])
    assert mean == pytest.approx(cross.T @ np.linalg.solve(K, y) - off, abs=2e-4)
    assert cov == pytest.approx(prior - cross.T @ np.linalg.solve(K, cross), abs=2e-4)


@pytest.mark.parametrize("meter", ["m0", "m1", "m4"])
def test_what_the_next_session_shares_with_the_last(fitted, bent, meter):
    """Conditional covariance of the error with the last session's mass set, place, crank."""
    data = small_fleet()
    what, _, noise = readings(data)
    last = max(
        (r for r in data.bench.iter_rows(named=True) if r["meter_id"] == meter),
        key=lambda r: r["at"],
    )
    parts = [("bench", last["bench_id"]), ("place", last["place_id"])]
    parts += [("crank", last["crank_id"]), ("meter constant", meter)]
    common = Reading(650.0, tuple((1.0, *part) for part in parts))
    asked = [Reading(day, ((1.0, "meter", meter),)) for day in (640.0, 720.0)]
    K = covariance(data, what, what, bent) + np.diag(noise)
    cross = covariance(data, what, [*asked, common], bent)
    joint = covariance(data, [*asked, common], [*asked, common], bent)
    joint -= cross.T @ np.linalg.solve(K, cross)
    found = fitted.shared_part(meter, [at(640.0), at(720.0)])
    assert found.covariance == pytest.approx(joint[2, :2], abs=1e-4)
    assert found.variance == pytest.approx(joint[2, 2], abs=1e-4)


def test_gain_error_is_the_joints_diagonal(fitted):
    pairs = [(m, at(day)) for m in ("m0", "m1", "m2", "T1") for day in (50, 500, 800)]
    mean, cov = fitted.joint(pairs)
    one_by_one = fitted.gain_error([d for d, _ in pairs], [w for _, w in pairs])
    assert one_by_one[0] == pytest.approx(mean)
    assert one_by_one[1] == pytest.approx(np.sqrt(np.diag(cov)))


def test_innovations_are_the_cholesky_residuals(fitted, bent):
    """A meter's innovations given the rest: its dense conditional, whitened in time order."""
    data = small_fleet()
    what, y, noise = readings(data)
    K = covariance(data, what, what, bent) + np.diag(noise)
    ids = [*data.bench["session_id"], *data.comparisons["comparison_id"]]
    frame = fitted.innovations().filter(device_id="m3").sort("at")
    mine = [ids.index(i) for i in frame["id"]]
    rest = [i for i in range(len(y)) if i not in mine]
    gain = np.linalg.solve(K[np.ix_(rest, rest)], K[np.ix_(rest, mine)])
    Q = K[np.ix_(mine, mine)] - K[np.ix_(mine, rest)] @ gain
    z = np.linalg.solve(np.linalg.cholesky(Q), y[mine] - gain.T @ y[rest])
    assert frame["standardized"].to_numpy() == pytest.approx(z, abs=1e-4)


def test_gradient():
    """Derivatives of the likelihood against central differences, every hyperparameter."""
    prepared = prepare(small_fleet(), replace(SETTINGS, knot_days=60))
    effects = [Effect("step", "meter", "m4", 52.9), Effect("step", "reference", "T2", 52.7)]
    effects += SHAPES
    design = prepared.design(effects)
    hyper = known_hyper()
    g = gradient(evaluate(design, hyper))
    for i in range(len(hyper.keys)):
        up, down = hyper.values.copy(), hyper.values.copy()
        up[i] += 1e-4
        down[i] -= 1e-4
        slope_here = evaluate(design, hyper.moved(up)).log_likelihood
        slope_here -= evaluate(design, hyper.moved(down)).log_likelihood
        assert g[i] == pytest.approx(slope_here / 2e-4, abs=1e-5), hyper.keys[i]


def test_answers_to_hyperparameters():
    """Derivatives of predictions against central differences (what widens the intervals)."""
    fitted = condition(small_fleet(), known_hyper(), today=TODAY, settings=SETTINGS)
    posterior = fitted.posterior
    targets = fitted._targets(["m0", "m1", "m4", "T1"], at(640))
    J = posterior.predict(targets).J
    for k, i in enumerate(posterior.active):
        means = []
        for h in (1e-4, -1e-4):
            values = fitted.hyper.values.copy()
            values[i] += h
            state = evaluate(posterior.state.design, fitted.hyper.moved(values))
            means.append(
                Posterior(state, curvature(state), posterior.outlook).predict(targets).mean
            )
        numeric = (means[0] - means[1]) / 2e-4
        assert J[:, k] == pytest.approx(numeric, abs=1e-5), fitted.hyper.keys[i]
