"""What forecast and hangs together say of the true error, and what leaving it would cost."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from scipy.integrate import quad
from scipy.stats import norm

from models.bench.causes.own_past import Expectation
from models.bench.causes.true_error import (
    Hangs,
    Part,
    better_by_reset,
    harm_beyond,
    reset_by,
    true_error,
)
from models.bench.causes.weighing import KNOCKED_SD, KNOCKED_SHARE

HANGS = Hangs(found=(1.4, 1.1), u_own=(0.5, 0.7), u_shared=0.4)
PARTS = [Part(0.7, 1.2, 0.4), Part(0.3, -0.5, 1.6)]


def whole(of: Callable[[float], float], low: float = -math.inf, high: float = math.inf) -> float:
    """The integral of a function times the density of PARTS, by quadrature."""

    def density(e: float) -> float:
        return of(e) * sum(p.weight * norm.pdf(e, p.mean, p.sd) for p in PARTS)

    return float(quad(density, low, high)[0])


def test_the_true_error_is_bayes_rule_on_a_grid() -> None:
    """Forecast of the true error times the likelihood of both hangs, integrated numerically."""
    expected = Expectation(0.3, 0.8, known=True, of_truth=True)
    found, variance = HANGS.mean()
    noise = math.sqrt(variance + HANGS.u_shared**2)

    def joint(e: float) -> float:
        struck = math.hypot(expected.sd, KNOCKED_SD)
        prior = (1 - KNOCKED_SHARE) * norm.pdf(e, expected.mean, expected.sd)
        prior += KNOCKED_SHARE * norm.pdf(e, expected.mean, struck)
        return float(prior * norm.pdf(found, e, noise))

    total = quad(joint, -20, 20, points=[found])[0]
    mean = quad(lambda e: e * joint(e), -20, 20, points=[found])[0] / total
    parts = true_error(expected, HANGS)
    assert sum(p.weight for p in parts) == pytest.approx(1.0)
    assert sum(p.weight * p.mean for p in parts) == pytest.approx(mean, rel=1e-6)


def test_hangs_average_only_what_is_their_own() -> None:
    """However many agree, a past keeps what they share, and so does a forecast of the truth."""
    many = Hangs(found=(1.0,) * 10_000, u_own=(0.5,) * 10_000, u_shared=0.4)
    for of_truth in (False, True):
        first, _ = true_error(Expectation(0.0, 5.0, known=True, of_truth=of_truth), many)
        assert first.mean == pytest.approx(1.0, abs=0.01)
        assert first.sd == pytest.approx(0.4, rel=0.01)


def test_a_finding_beyond_every_number_stands_for_itself() -> None:
    (only,) = true_error(Expectation(0.0, 0.1, known=True), Hangs((400.0,), (0.1,), 0.0))
    assert (only.weight, only.mean) == (1.0, 400.0)


def test_harm_and_chance_against_quadrature() -> None:
    beyond = whole(lambda e: e * e - 2.25, 1.5) + whole(lambda e: e * e - 2.25, high=-1.5)
    assert harm_beyond(PARTS, 1.5) == pytest.approx(beyond, rel=1e-6)
    assert better_by_reset(PARTS, 1.4) == pytest.approx(whole(lambda e: 1.0, 0.7), rel=1e-6)
    assert better_by_reset(PARTS, -1.4) == pytest.approx(whole(lambda e: 1.0, high=-0.7), rel=1e-6)
    moved = [p._replace(mean=p.mean - 1.4) for p in PARTS]
    assert reset_by(PARTS, 1.4) == moved
