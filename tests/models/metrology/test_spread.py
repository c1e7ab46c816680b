"""The usual variance of many, and what it is worth beside each one's own."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import polygamma
from scipy.stats import f as f_distribution

from models.metrology import variance_prior
from models.metrology.spread import _inverse_trigamma


@pytest.mark.parametrize("y", [1e-3, 0.1, 1.0, 1.6449340668, 30.0])
def test_inverse_trigamma(y):
    """trigamma(1) = π²/6 = 1.6449…; else trigamma brings it back."""
    assert polygamma(1, _inverse_trigamma(y)) == pytest.approx(y, rel=1e-8)
    assert _inverse_trigamma(np.pi**2 / 6) == pytest.approx(1.0)


def test_variances_follow_a_scaled_f():
    """s²/s0² ~ F(dof, d0), Smyth (2004), section 6.2: drawn so, and found again.

    Beside it the maximum of the same likelihood by scipy's F distribution.
    """
    rng = np.random.default_rng(4)
    s0, d0, dof = 0.36, 7.0, np.repeat([6.0, 12.0, 30.0], 500)
    s2 = s0 * f_distribution.rvs(dof, d0, random_state=rng)
    usual, worth = variance_prior(s2, dof)
    assert usual == pytest.approx(s0, rel=0.06)
    assert worth == pytest.approx(d0, rel=0.2)

    def loss(x):
        return -np.sum(f_distribution.logpdf(s2, dof, np.exp(x[1]), scale=np.exp(x[0])))

    best = np.exp(minimize(loss, [0.0, 1.0], method="Nelder-Mead").x)
    assert usual == pytest.approx(best[0], rel=0.05)
    assert worth == pytest.approx(best[1], rel=0.15)


def test_equal_variances_are_worth_all():
    rng = np.random.default_rng(5)
    dof = np.full(400, 10.0)
    usual, worth = variance_prior(2.0 * rng.chisquare(dof) / dof, dof)
    assert usual == pytest.approx(2.0, rel=0.05)
    assert worth > 100
