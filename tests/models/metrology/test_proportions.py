"""Proportions against published intervals and textbook formulas, clusters by simulation."""

import numpy as np
import pytest
from scipy.stats import beta, norm

from models.metrology import effective_number, proportion

NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("count", "n", "wilson", "exact"), NEWCOMBE)
def test_intervals_of_proportions(count, n, wilson, exact):
    """Newcombe (1998), Stat Med 17:857, Table I, 95 % (from memory, not verified), and the
    textbook formulas of both intervals."""
    score = proportion(count, n, level=0.95)
    assert score[1:] == pytest.approx(wilson, abs=5e-5)
    z, p = norm.ppf(0.975), count / n
    centre = (p + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2)) / (1 + z**2 / n)
    assert score[1:] == pytest.approx((centre - half, centre + half), abs=1e-12)
    pearson = proportion(count, n, level=0.95, method="clopper-pearson")
    assert pearson[1:] == pytest.approx(exact, abs=5e-5)
    assert pearson.hi == pytest.approx(beta.ppf(0.975, count + 1, n - count), abs=1e-12)


def test_nothing_seen_means_nothing_known():
    share = proportion(0, 0)
    assert np.isnan(share.share)
    assert share[1:] == (0.0, 1.0)


def test_sessions_that_hang_together_count_for_less():
    """Each meter all in or all out: as many independent trials as meters."""
    outcome = np.random.default_rng(34).random(200) < 0.3
    happened, cluster = np.repeat(outcome, 6), np.repeat(np.arange(200), 6)
    assert effective_number(happened, cluster) == pytest.approx(200, rel=0.02)
    mixed = np.random.default_rng(35).random(1200) < 0.3
    assert effective_number(mixed, cluster) > 900
    assert effective_number(np.zeros(12, dtype=bool), np.repeat([0, 1], 6)) == 12
