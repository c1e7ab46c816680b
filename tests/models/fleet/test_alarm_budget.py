"""How many false alarms there are, and how likely a real step is named."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from models.fleet import FleetFit, fit
from models.fleet.alarms.noise import noise_p_values
from models.fleet.alarms.scan_shared import between_all
from models.fleet.alarms.thresholds import Trials
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleet_options import USUAL
from tests.simulate.fleets import simulate_fleet


def rides_of(scales: np.ndarray, n: int, rng: np.random.Generator) -> tuple[np.ndarray, object]:
    """Standardized residuals of n rides of each meter, of these scales, and whose they are."""
    z = (scales[:, None] * rng.standard_normal((len(scales), n))).ravel()
    owner = np.repeat(np.arange(len(scales)), n)
    return z, SimpleNamespace(is_bench=np.zeros(len(z), dtype=np.bool_), owner=owner)


@pytest.mark.parametrize("spread", [0.0, 0.6])
def test_meters_that_always_were_noisy_do_not_alarm(spread):
    """However much meters differ in noise (log sd 0, 0.6): about as many p < 0.01 as there may.

    Judged by the fleet's one level, 17 % of the meters had p < 0.01 at a log sd of 0.6 (now 2 %).
    """
    rng = np.random.default_rng(6)
    p = []
    for _ in range(25):
        z, obs = rides_of(np.exp(spread * rng.standard_normal(40)), 30, rng)
        p += [g.p for g in noise_p_values(z, obs, z < np.inf)]
    assert np.mean(np.array(p) < 0.01) < 0.03


def test_a_few_wild_rides_are_no_grown_noise():
    """4 % of rides are wild, by up to fifteen sds: were they judged, four times too many meters
    would have p < 0.002 (truth: nothing has grown)."""
    rng = np.random.default_rng(9)
    p, judged = [], []
    for _ in range(25):
        z, obs = rides_of(np.ones(40), 30, rng)
        wild = rng.random(len(z)) < 0.04
        z = np.where(wild, rng.choice([-1, 1], len(z)) * rng.uniform(7, 15, len(z)), z)
        p += [g.p for g in noise_p_values(z, obs, ~wild)]
        judged += [g.p for g in noise_p_values(z, obs, z < np.inf)]
    assert np.mean(np.array(p) < 0.01) < 0.03
    assert np.mean(np.array(p) < 0.002) < 0.25 * np.mean(np.array(judged) < 0.002)


def test_noise_that_tripled_is_seen_among_unlike_meters():
    rng = np.random.default_rng(7)
    seen, factors = [], []
    for _ in range(25):
        z, obs = rides_of(np.exp(0.6 * rng.standard_normal(40)), 30, rng)
        z[15:30] *= 3.0
        first = noise_p_values(z, obs, z < np.inf)[0]
        seen.append(first.p < 0.002)
        factors.append(first.factor)
    assert np.mean(seen) > 0.75
    assert np.median(factors) == pytest.approx(3.0, rel=0.3)


def test_dates_that_are_looked_at_closely_later_count_in_the_limit():
    """Steps of a device that wanders, every tenth of 600 dates first, then all around the best.

    By dense algebra and simulation: about as many series pass the limit as may (2 %), and over
    three times as many where only the tenth dates count in it.
    """
    rng, n, every, allowed = np.random.default_rng(5), 600, 10, 0.02
    t = np.arange(n)
    late = np.tril(np.ones((n, n)))[:, 1:]
    turned = np.linalg.solve(np.eye(n) + 0.01 * np.minimum.outer(t, t) + 25.0, late)
    info = late.T @ turned
    sd = np.sqrt(np.diag(info))
    correlation = info / np.outer(sd, sd)
    coarse = np.arange(0, n - 1, every)
    some = correlation[coarse[:-1], coarse[1:]]
    limits = []
    for rho in (np.diag(correlation, 1), between_all(some, np.diff(coarse)), some):
        trials = Trials()
        trials.add_scan(rho)
        limits.append(trials.limit(allowed))
    assert limits[1] == pytest.approx(limits[0], abs=0.02)
    walk = np.cumsum(0.1 * rng.standard_normal((2500, n)), axis=1)
    level = 5 * rng.standard_normal((2500, 1))
    z = np.abs((rng.standard_normal((2500, n)) + walk + level) @ turned) / sd
    first = z[:, coarse].argmax(axis=1) * every
    near = [row[max(f - every, 0) : f + every].max() for row, f in zip(z, first, strict=True)]
    passed = [float(np.mean(np.array(near) > c)) for c in limits]
    assert passed[1] == pytest.approx(allowed, abs=0.008)
    assert passed[2] > 3 * allowed


@pytest.fixture(scope="module")
def fitted() -> FleetFit:
    fleet = simulate_fleet(replace(USUAL, n_meters=40, n_trainers=2, years=2.0), 11)
    return fit(fleet_data(fleet), today=fleet.today)


def test_larger_and_older_steps_are_named_more_often(fitted):
    power = fitted.step_power()
    assert power.height == 18
    for _, rows in power.group_by("months"):
        assert rows.sort("step_pct")["found"].is_sorted()
    of = {(m, s): found for m, s, found, _ in power.iter_rows()}
    assert of[6, 0.5] < 0.2 < of[6, 1.0] < of[6, 2.0]
    assert of[6, 3.0] > 0.9  # a meter without a record since shows nothing
    assert of[3, 1.0] < of[6, 1.0] + 0.02


def test_power_of_one_meter_by_hand(fitted):
    """A step of half a year ago, each meter's I by sums over P: Φ(δ√I − c) + Φ(−δ√I − c)."""
    from models.fleet.alarms.scan_meters import batch_statistics
    from models.fleet.alarms.search_state import own_steps
    from models.fleet.alarms.step_power import _known_since, _limits

    prepared, state = fitted.prepared, fitted.posterior.state
    seen = batch_statistics(state, own_steps(prepared, fitted.effects))
    at = prepared.obs.t.max() - 0.5
    limit, few = _limits(prepared, seen)
    total, n = 0.0, 0
    for view in seen:
        info, left = _known_since(view, prepared.obs, at)
        k = 0
        for b in range(len(view.meter)):
            block = view.block(b, prepared.obs)
            t = prepared.obs.t[block.rows]
            if not (t[0] < at and t[-1] > prepared.obs.t.max() - 1.0):
                continue
            late = (t >= at).astype(float)
            if late.any():
                assert info[k] == pytest.approx(late @ block.P @ late)
            shift = 100 * np.log(1.01) * np.sqrt(late @ block.P @ late)
            c = max(few, limit) if late.sum() <= 2 else limit
            lone = late.sum() == 1 and not block.is_bench[-1]
            total += 0.0 if lone or not late.any() else norm.cdf(shift - c) + norm.cdf(-shift - c)
            assert left[k] == (0 if lone else late.sum())
            k, n = k + 1, n + 1
        assert k == len(info)
    [row] = fitted.step_power().filter(months=6, step_pct=1.0).to_dicts()
    assert (row["n_meters"], row["found"]) == (n, pytest.approx(total / n))
