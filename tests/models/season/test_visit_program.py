"""The season's visits against brute force: every subset of weeks of every meter."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from models.season.visit_program import VisitProgram, choose_visits


def program(rng: np.random.Generator, *, meters: int, weeks: int, slots: int) -> VisitProgram:
    start = rng.uniform(0, 0.4, meters)[:, None]
    growth = rng.uniform(0.002, 0.05, meters)[:, None]
    week = np.arange(weeks)
    since = np.where(week >= week[:, None], week - week[:, None], np.inf)
    return VisitProgram(
        risk_unvisited=np.minimum(1, start + growth * week),
        risk_after=np.minimum(1, 0.01 + growth[:, None] * since),
        exposure_cost=rng.uniform(0, 200, (meters, weeks)) * (rng.random((meters, weeks)) < 0.8),
        visit_cost=rng.uniform(10, 80, meters),
        slots=np.full(weeks, slots),
        pins={0: (int(rng.integers(weeks)),)},
    )


def cost_of(one: VisitProgram, meter: int, visits: tuple[int, ...]) -> float:
    """The objective, week by week, straight from its definition."""
    cost, last = len(visits) * one.visit_cost[meter], None
    for week in range(one.exposure_cost.shape[1]):
        last = week if week in visits else last
        risk = (
            one.risk_unvisited[meter, week] if last is None else one.risk_after[meter, last, week]
        )
        cost += risk * one.exposure_cost[meter, week]
    return float(cost)


def brute_force(one: VisitProgram) -> float:
    meters, weeks = one.exposure_cost.shape
    subsets = [tuple(w for w in range(weeks) if k >> w & 1) for k in range(2**weeks)]
    options = [
        [(v, cost_of(one, m, v)) for v in subsets if set(one.pins.get(m, v)) == set(v)]
        for m in range(meters)
    ]
    best = np.inf
    for choice in itertools.product(*options):
        used = np.bincount([w for v, _ in choice for w in v], minlength=weeks)
        if (used <= one.slots).all():
            best = min(best, sum(cost for _, cost in choice))
    return float(best)


@pytest.mark.parametrize("seed", range(50))
def test_small_plans_are_the_best_of_all_plans(seed: int) -> None:
    """Source: enumeration of all subsets, independent of the program."""
    one = program(np.random.default_rng(seed), meters=3, weeks=4, slots=1)
    plan = choose_visits(one)
    assert plan.cost == pytest.approx(brute_force(one), rel=2e-3)
    assert plan.cost == pytest.approx(
        sum(cost_of(one, m, v) for m, v in enumerate(plan.weeks)), rel=1e-9
    )
    assert plan.bound <= plan.cost + 1e-9


def test_a_fleet_of_300_keeps_slots_and_pins_with_a_small_gap() -> None:
    one = program(np.random.default_rng(7), meters=300, weeks=52, slots=4)
    plan = choose_visits(one)
    used = np.bincount([w for v in plan.weeks for w in v], minlength=52)
    assert (used <= 4).all()
    assert plan.weeks[0] == one.pins[0]
    assert plan.gap <= 0.01


def test_without_slots_nothing_is_planned_and_the_risk_is_priced() -> None:
    one = program(np.random.default_rng(3), meters=5, weeks=6, slots=0)
    one = VisitProgram(**{**one.__dict__, "pins": {}})
    plan = choose_visits(one)
    assert plan.weeks == [()] * 5
    assert plan.cost == pytest.approx((one.risk_unvisited * one.exposure_cost).sum())


def test_pins_that_overfill_a_week_are_kept_and_said() -> None:
    one = program(np.random.default_rng(3), meters=4, weeks=6, slots=1)
    one = VisitProgram(**{**one.__dict__, "pins": dict.fromkeys(range(3), (2,))})
    plan = choose_visits(one)
    assert all(2 in plan.weeks[m] for m in range(3))
    assert plan.overfull == (2,)
    assert 2 not in plan.weeks[3]
