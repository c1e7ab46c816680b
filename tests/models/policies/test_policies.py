"""Policies by simulation: the filter against plain Gaussian conditioning, limits by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from models.metrology import Mask
from models.policies import KalmanFilter, ProcessParameters, cheapest_average
from models.policies.comparison import usual_policies, visits_saved
from models.policies.interval_policies import control_chart, reliability, staircase
from models.policies.kalman_filter import BENCH, PAIR
from models.policies.meter_process import WEEK
from models.policies.other_worlds import SETTLING, SPEEDING_UP, WORLDS, world_of
from models.policies.rules import Decide, Policy, Seen, by_cost, by_target, every_months
from models.policies.simulation import draw, run


def parameters(n: int, **more: float) -> ProcessParameters:
    values = {
        "start": 0.0, "drift": 0.2, "walk2": 0.09, "swap2": 0.04, "swap_step": 0.1,
        "swap_every": 0.6, "pair2": 0.16, "pair_walk2": 0.02, "ride2": 0.25, "bench2": 0.05,
        "shared2": 0.03, "rides": 12.0, "tolerance": 1.5,
        "knock_rate": 0.0, "knock2": 0.0,
    } | more  # fmt: skip
    line = np.broadcast_to(np.array([[1.0, 0.1], [0.1, 0.16]]), (n, 2, 2))
    group = np.zeros(n, dtype=np.int64)
    return ProcessParameters(
        line=line, group=group, **{name: np.full(n, value) for name, value in values.items()}
    )


def outcome(policy: Policy, world: ProcessParameters, seed: int = 1) -> tuple[float, float]:
    draws = draw(world, 6.0, np.random.default_rng(seed))
    [found] = run([policy], draws, true=world, assumed=world)
    return float(found.visits.mean()), float(found.out.mean())


def test_the_filter_is_gaussian_conditioning() -> None:
    """Source: the conditional normal of all observations at once, from the joint covariance."""
    world = parameters(1)
    state = KalmanFilter(world)
    never = np.zeros(1, dtype=np.bool_)
    for _ in range(10):
        state.predict(never)
    state.update(~never, np.array([1.0]), BENCH, world.bench2)
    for _ in range(20):
        state.predict(never)
    state.update(~never, np.array([1.4]), PAIR, world.ride2)
    t1, t2 = 10 * WEEK, 30 * WEEK
    times = np.array([t1, t2, t2])  # session, comparison, the error asked for
    prior = 1 + 0.1 * np.add.outer(times, times) + 0.16 * np.multiply.outer(times, times)
    prior += 0.09 * np.minimum.outer(times, times)
    V = prior[:2, :2] + np.diag([0.03 + 0.05, 0.16 + 0.02 * t2 + 0.25])
    mean = 0.2 * times
    gain = prior[2, :2] @ np.linalg.inv(V)
    assert state.mean[0, 0] == pytest.approx(mean[2] + gain @ ([1.0, 1.4] - mean[:2]))
    assert state.P[0, 0, 0] == pytest.approx(prior[2, 2] - gain @ prior[:2, 2])


def test_probabilities_of_the_filter_are_honest() -> None:
    """The share of days out of tolerance is what the filter says it is, known parameters, 1,500
    meters; sessions, resets and comparisons in between."""
    world, said = parameters(1500), []

    def make(assumed: ProcessParameters) -> Decide:
        decide = by_target(0.6).make(assumed)

        def look(seen: Seen) -> Mask:
            said.append(1 - float(seen.p.mean()))
            return decide(seen)

        return look

    draws = draw(world, 4.0, np.random.default_rng(4))
    watched = Policy("target", "watched", "watched", make, forecasts=True)
    [found] = run([watched], draws, true=world, assumed=world)
    assert np.mean(said[round(2 / WEEK) :]) == pytest.approx(found.out.mean(), abs=0.012)


def test_a_fixed_interval_is_kept() -> None:
    for months in (3, 6, 12, 24):
        visits, _ = outcome(every_months(months), parameters(240))
        assert visits == pytest.approx(12 / months, rel=0.03)


def test_meters_that_never_move_need_no_visits() -> None:
    still = parameters(
        100, drift=0.0, walk2=0.0, swap2=0.0, swap_step=0.0, shared2=1e-6, bench2=1e-4, rides=0.0
    )
    still = replace(still, line=np.broadcast_to(np.diag([1.0, 1e-10]), (100, 2, 2)))
    for policy in (by_target(0.9), by_cost(7.0)):
        visits, out = outcome(policy, still)
        assert visits == 0.0
        assert out == 0.0


def test_stricter_targets_visit_more_and_ride_less_out_of_tolerance() -> None:
    world = parameters(400)
    found = [outcome(by_target(target), world) for target in (0.7, 0.9, 0.98)]
    assert found[0][0] < found[1][0] < found[2][0]
    assert found[0][1] > found[1][1] > found[2][1]


def test_ours_needs_fewer_visits_than_fixed_intervals_at_the_same_share() -> None:
    """With monthly comparisons well under two thirds; fixed intervals on both sides of ours."""
    world = parameters(400)
    rows = []
    for policy in (
        every_months(4),
        every_months(8),
        every_months(16),
        by_target(0.95),
        staircase(),
    ):
        visits, out = outcome(policy, world)
        rows.append(
            {
                "name": policy.name,
                "kind": policy.kind,
                "visits_per_meter_year": visits,
                "out_of_tolerance_share": out,
            }
        )
    saved = visits_saved(rows)
    assert len(saved) == 1
    assert saved[0]["ratio"] is not None
    assert saved[0]["ratio"] < 0.65


def test_the_cheapest_average_by_hand() -> None:
    """A drift of 2 a year without spread leaves ± 1.5 after 0.75 years: a visit worth 14 days
    is cheapest just before, 14 days in 0.75 years."""
    world = parameters(1, drift=2.0, walk2=0.0, swap2=0.0, swap_step=0.0, bench2=1e-6, shared2=1e-9)
    world = replace(world, line=np.full((1, 2, 2), 1e-12))
    average = cheapest_average(KalmanFilter(world), 14.0)[0]
    assert average == pytest.approx(
        14 / (0.75 * 365.25), rel=0.1
    )  # intervals in steps of four weeks


def test_the_interval_methods_visit_more_for_a_higher_target() -> None:
    world = parameters(400)
    for method in (reliability, control_chart):
        loose, strict = (outcome(method(target), world) for target in (0.80, 0.95))
        assert loose[0] < strict[0]
        assert loose[1] > strict[1]


def test_a_meter_with_a_steady_line_comes_before_its_line_leaves() -> None:
    """Drift 1 a year, no noise worth the name, tolerance 1.5: once it has its line it comes every
    year and a half."""
    world = parameters(
        60, start=0.0, drift=1.0, walk2=0.0, swap2=0.0, swap_step=0.0, bench2=1e-4, shared2=1e-9
    )
    world = replace(world, line=np.broadcast_to(1e-12 * np.eye(2), (60, 2, 2)))
    draws = draw(world, 14.0, np.random.default_rng(1))
    [found] = run([control_chart(0.9)], draws, true=world, assumed=world)
    assert found.visits.mean() == pytest.approx(1 / 1.5, rel=0.15)
    assert found.out.mean() < 0.02


@pytest.mark.parametrize("forecasts", [False, True])
def test_side_by_side_policies_do_what_each_does_alone(forecasts: bool) -> None:
    world = parameters(12)
    draws = draw(world, 3.0, np.random.default_rng(1))
    some = [policy for policy in usual_policies(6.7) if policy.forecasts is forecasts]
    together = run(some, draws, true=world, assumed=world)
    for policy, found in zip(some, together, strict=True):
        [alone] = run([policy], draws, true=world, assumed=world)
        assert_allclose((found.visits, found.out), (alone.visits, alone.out))


def test_every_policy_says_what_it_is_in_short() -> None:
    policies = usual_policies(6.7)
    assert len({policy.name for policy in policies}) == len(policies)
    told = {policy.name: (policy.kind, policy.label) for policy in policies}
    assert told["every 12 months"] == ("fixed", "12 months")
    assert told["control chart, 90 %"] == ("method", "control chart")
    assert told["by forecast, target 90 %"] == ("target", "90 %")
    assert told["by forecast, at least cost"] == ("cost", "least cost")


def test_other_worlds_move_meters_as_they_say() -> None:
    """Sums of four years' changes against the integrals by hand, 4,000 meters."""
    world = parameters(4000, swap_step=0.0, swap2=0.0, shared2=1e-6)
    moved, d = {}, {}
    for other in WORLDS:
        drawn = other.draw(world, 4.0, np.random.default_rng(2))
        years = len(drawn.moves) * WEEK
        d[other.name] = float(drawn.first[1].mean())
        moved[other.name] = drawn.first[1] * years + drawn.moves.sum(axis=0)
    means = {name: float(x.mean()) for name, x in moved.items()}
    settled = d["settling"] * -np.expm1(-4 * SETTLING) / SETTLING
    assert means["settling"] == pytest.approx(settled, abs=0.04)
    assert means["speeding_up"] == pytest.approx(d["speeding_up"] * (4 + SPEEDING_UP * 8), abs=0.04)
    assert means["restless"] == pytest.approx(4 * d["restless"], abs=0.06)
    assert d["restless"] == pytest.approx(0.4, abs=0.05)
    assert moved["restless"].var() == pytest.approx(4 * (0.16 * 16 + 0.09 * 4), rel=0.08)
    assert moved["knocked"].var() == pytest.approx(0.16 * 16 + 0.09 * 4 + 0.2 * 4 * 4, rel=0.08)


def test_what_planning_costs_more_elsewhere() -> None:
    rows = [
        {"name": n, "kind": k, "cost_per_meter_year": c, "out_of_tolerance_share": 0.1}
        for n, k, c in (("every 6 months", "fixed", 8.0), ("planned", "cost", 9.5))
    ]
    found = world_of(WORLDS[0], rows)
    assert (found["cheapest"], found["planned_costs_more"]) == ("every 6 months", 1.5)
