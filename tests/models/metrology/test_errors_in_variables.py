"""The estimator with errors in both variables and the limits of agreement, published values."""

import numpy as np
import pytest

from models.metrology import bland_altman, fit_gain
from tests.models.truth import numbers


def test_york_line_on_pearsons_data() -> None:
    """Source: York et al. 2004: −0.480533407, 5.47991022; u 0.0579850090, 0.294970735;
    χ² 11.8663532 (as read in public test files that quote it)."""
    x, y = (np.array(numbers("pearson_york.csv", name)) for name in ("x", "y"))
    u_x, u_y = (np.array(numbers("pearson_york.csv", name)) ** -0.5 for name in ("w_x", "w_y"))
    fit = fit_gain(y, x, np.ones((len(x), 1)), u_y=u_y, u_x=u_x)
    assert fit.coefficients == pytest.approx([-0.480533407, 5.47991022], abs=6e-9)
    u = np.sqrt(np.diag(fit.covariance))
    assert u == pytest.approx([0.0579850090, 0.294970735], abs=1e-8)
    assert fit.chi2 == pytest.approx(11.8663532, abs=1e-7)


def test_deming_is_york_with_equal_errors() -> None:
    """Source: Pearson 1901 prints −0.546 for the orthogonal line."""
    x, y = (np.array(numbers("pearson_york.csv", name)) for name in ("x", "y"))
    fit = fit_gain(y, x, np.ones((len(x), 1)), u_y=1.0, u_x=1.0)
    assert fit.coefficients[0] == pytest.approx(-0.546, abs=5e-4)
    assert fit.coefficients == pytest.approx([-0.54556120, 5.78404377], abs=1e-8)


def test_norris_straight_line() -> None:
    """Source: NIST StRD Norris, certified: B0 −0.262323073774029, B1 1.00211681802045,
    u 0.232818234301152, 0.429796848199937E-03, residual sd 0.884796396144373 (34 dof)."""
    x, y = (np.array(numbers("nist_norris.csv", name)) for name in ("x", "y"))
    fit = fit_gain(y, x, np.ones((len(x), 1)), u_y=1.0, u_x=0.0)
    assert fit.coefficients == pytest.approx([1.00211681802045, -0.262323073774029], abs=1e-10)
    scale = float(fit.chi2) / 34
    assert np.sqrt(scale) == pytest.approx(0.884796396144373, abs=1e-11)
    u = np.sqrt(scale * np.diag(fit.covariance))
    assert u == pytest.approx([0.429796848199937e-3, 0.232818234301152], rel=1e-9)


def test_pontius_load_cell_with_a_nuisance_term() -> None:
    """Source: NIST StRD Pontius, certified: B0 0.673565789473684E-03, B1 0.732059160401003E-06,
    B2 −0.316081871345029E-14, residual sd 0.205177424076185E-03 (37 dof)."""
    load, deflection = (
        np.array(numbers("nist_pontius_loadcell.csv", name)) for name in ("load", "deflection")
    )
    nuisance = np.stack([np.ones_like(load), load**2], axis=1)
    fit = fit_gain(deflection, load, nuisance, u_y=1.0, u_x=0.0)
    certified = [0.732059160401003e-6, 0.673565789473684e-3, -0.316081871345029e-14]
    assert fit.coefficients == pytest.approx(certified, rel=1e-7)
    assert np.sqrt(float(fit.chi2) / 37) == pytest.approx(0.205177424076185e-3, rel=1e-8)


def test_a_stack_of_problems_is_each_problem() -> None:
    """Solved together or one by one: the same lines."""
    rng = np.random.default_rng(1)
    x = rng.uniform(100, 300, (5, 8))
    y = 1.02 * x + 3 + rng.normal(0, 2, (5, 8))
    ones = np.ones((5, 8, 1))
    together = fit_gain(y, x, ones, u_y=2.0, u_x=1.0).coefficients
    apart = [fit_gain(y[k], x[k], ones[k], u_y=2.0, u_x=1.0).coefficients for k in range(5)]
    assert together == pytest.approx(np.array(apart), abs=1e-9)


def test_limits_of_agreement_of_two_flow_meters() -> None:
    """Source: Bland & Altman 1986: mean −2.1, sd 38.8, limits −79.7 and 75.5 l/min from the
    first readings, with a multiple of 2 and the sd rounded."""
    large, mini = (
        np.array(numbers("bland_altman_pefr_1986.csv", name)) for name in ("large_1", "mini_1")
    )
    found = bland_altman(large, mini, multiple=2.0)
    assert found.mean_difference == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    assert found.limits == pytest.approx((-79.7, 75.5), abs=0.1)
