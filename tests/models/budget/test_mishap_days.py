"""Days out of tolerance by mishaps: by hand, then what seasons with a known rate really hold."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.stats import gamma, nbinom

from models.budget import OwnMishaps, days_with_mishaps
from models.budget.mishap_days import UNLIKE

METERS, YEARS = 57, 2.8


def test_a_seasons_days_are_rate_times_days() -> None:
    """By hand: 8 known of 100 days and one more of 90 on average; about 8.5 in 170 meter-years."""
    own = OwnMishaps(160.0, YEARS, np.full(8, 100.0), np.linspace(0.2, 2.5, 8))
    drawn = own.draws(METERS, 1.0, np.random.default_rng(1))
    each = (8 * 100 + 90) / 9
    assert own.likely_rate() == pytest.approx(8.5 / 170, rel=0.08)  # seasons may differ
    assert drawn.mean() == pytest.approx(own.likely_rate() * METERS * each, rel=0.05)
    half = own.draws(METERS, 0.1, np.random.default_rng(1))
    assert half.mean() < own.likely_rate() * METERS * 0.1 * 36.6  # or the whole period


def test_seasons_that_differ_are_told_by_how_they_did() -> None:
    """Source: scipy.stats.nbinom and gamma; 8 of 9 mishaps in one year speak for clusters."""
    even = OwnMishaps(160.0, 3.0, np.ones(9), np.repeat([0.5, 1.5, 2.5], 3)).likely()[1]
    rates, lumped = OwnMishaps(160.0, 3.0, np.ones(9), np.r_[np.full(8, 0.5), 2.5]).likely()
    expected = rates * 160 / 3
    by_hand = np.array(
        [np.prod([nbinom.pmf(n, k, k / (k + expected)) for n in (8, 0, 1)], axis=0) for k in UNLIKE]
    )
    by_hand *= rates * gamma.pdf(rates, 0.5, scale=1 / 10)
    assert lumped == pytest.approx(by_hand / by_hand.sum(), rel=1e-6)
    assert even[0].sum() > 0.3 > 0.1 > lumped[0].sum()
    assert OwnMishaps().likely()[1].sum(axis=1) == pytest.approx([1 / 3] * 3)


@pytest.mark.parametrize("shape", [1e6, 2.0])
def test_nine_in_ten_seasons_lie_within(shape: float) -> None:
    """200 simulated teams of 57 meters, 0.05 mishaps a meter-year of 20 to 160 days each, whose
    seasons are alike or differ by 70 %: what the next season then costs, and the bias."""
    rng = np.random.default_rng(int(shape) % 1000 + 3)
    inside, told, true = [], [], []
    for _ in range(200):
        rates = 0.05 * METERS * rng.gamma(shape, 1 / shape, 4)
        counts = rng.poisson(rates * [1.0, 1.0, YEARS - 2, 1.0])
        ago = np.repeat([0.5, 1.5, 2.4], counts[:3])
        own = OwnMishaps(METERS * YEARS, YEARS, rng.uniform(20, 160, ago.size), ago)
        low, high = np.quantile(drawn := own.draws(METERS, 1.0, rng), [0.05, 0.95])
        true.append(rng.uniform(20, 160, counts[3]).sum())
        inside.append(low <= true[-1] <= high)
        told.append(drawn.mean())
    assert 0.86 <= np.mean(inside) <= 0.97
    assert np.mean(told) == pytest.approx(np.mean(true), rel=0.12)


def test_a_plans_own_days_and_mishaps_add_up() -> None:
    out = {"plan": 100.0, "plan_sd": 40.0, "without_visits": 900.0, "plan_interval90": [45, 170]}
    plan: Any = {"days_out_of_tolerance": out, "shares": [{}] * METERS}
    own = OwnMishaps(160.0, YEARS, np.full(8, 100.0), np.full(8, 0.5))
    told = days_with_mishaps(plan, own, 1.0, np.random.default_rng(2))
    assert told["days"] == pytest.approx(100.0 + told["by_mishaps"])
    assert told["mishaps"] == pytest.approx(own.likely_rate() * METERS)
    low, high = told["interval90"]
    assert low < told["days"] < high
    assert high > 100.0 + told["by_mishaps"] + 1.5 * 40.0
