"""Mishaps in simulated fleets: how often they come, what they cost, and that they are noticed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.policies import KalmanFilter, Mishap
from models.policies.kalman_filter import PAIR
from models.policies.meter_process import WEEK
from models.policies.mishaps import expecting, with_mishaps
from models.policies.rules import by_target, every_months
from models.policies.simulation import draw, run
from tests.models.policies.test_policies import parameters

KNOCKS = Mishap("knock", 6, 160.0, np.array([-2.0, 1.5, 2.5]))
ENTRIES = Mishap("entry", 2, 400.0, np.array([1.3]))


def test_mishaps_come_as_often_and_as_large_as_in_the_records() -> None:
    """By hand: 6.5 knocks in 170 meter-years; three known sizes and one usual of sd 1."""
    world, fleets = parameters(4000), 400
    calm = draw(world, 6.0, np.random.default_rng(1))
    rough = with_mishaps(calm, [KNOCKS, ENTRIES], fleets, np.random.default_rng(2))
    steps, slips = rough.moves - calm.moves, rough.bench_noise - calm.bench_noise
    assert (steps != 0).mean() / WEEK == pytest.approx(6.5 / 170, rel=0.06)
    assert (slips != 0).mean() == pytest.approx(2.5 / 600, rel=0.08)
    size2 = (4 + 2.25 + 6.25 + 1) / 4
    assert np.mean(steps[steps != 0] ** 2) == pytest.approx(size2, rel=0.1)
    assert KNOCKS.variance() == pytest.approx(size2)


def test_a_knock_is_weighed_by_bayes_rule() -> None:
    """Source: the two-part normal mixture after one comparison, written out."""
    world = replace(parameters(1), knock_rate=np.array([0.1]), knock2=np.array([4.0]))
    state, never = KalmanFilter(world), np.zeros(1, dtype=np.bool_)
    for _ in range(4):
        state.predict(never)
    m0, v = state.mean[0, 0], np.array([state.P[0, 0, 0], state.P[0, 0, 0] + 4.0])
    pair2, seen = state.P[0, PAIR, PAIR], 4.5
    state.update(~never, np.array([seen]), PAIR, world.ride2)
    total = v + pair2 + 0.25
    prior = np.array([np.exp(-0.4 * WEEK), 1 - np.exp(-0.4 * WEEK)])
    weight = prior * np.exp(-((seen - m0) ** 2) / 2 / total) / np.sqrt(total)
    weight /= weight.sum()
    means = m0 + v / total * (seen - m0)
    mean = weight @ means
    variance = weight @ (v - v**2 / total + (means - mean) ** 2)
    assert state.mean[0, 0] == pytest.approx(mean)
    assert state.P[0, 0, 0] == pytest.approx(variance)


def test_a_forecast_that_watches_for_knocks_rides_less_out_of_tolerance() -> None:
    """Knocks leave fixed intervals more days out; who looks at rides notices."""
    world = parameters(400)
    often = Mishap("knock", 60, 160.0, np.array([2.0, 3.0]))
    calm = draw(world, 6.0, np.random.default_rng(1))
    rough = with_mishaps(calm, [often], 4, np.random.default_rng(2))
    [quiet] = run([every_months(6)], calm, true=world, assumed=world)
    [fixed] = run([every_months(6)], rough, true=world, assumed=world)
    assert fixed.out.mean() > 2 * quiet.out.mean()
    policy = by_target(0.9)
    [blind] = run([policy], rough, true=world, assumed=world)
    [watching] = run([policy], rough, true=world, assumed=expecting(world, [often]))
    assert watching.out.mean() < blind.out.mean()
