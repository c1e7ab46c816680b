"""Straight lines and what is left of them, against published calibrations."""

import numpy as np
import pytest

from models.metrology import deviation_pct, lack_of_fit, polynomial_fit
from tests.models.truth import numbers, reference

LOADS = np.array(numbers("nist_loadcell_mpc365.csv", "load"))
RESPONSES = np.array(numbers("nist_loadcell_mpc365.csv", "response"))
PONTIUS = (
    np.array(numbers("nist_pontius_loadcell.csv", "load")),
    np.array(numbers("nist_pontius_loadcell.csv", "deflection")),
)


def test_load_cell_quadratic() -> None:
    """Source: NIST/SEMATECH e-Handbook mpc365."""
    fit = polynomial_fit(LOADS, RESPONSES, degree=2)
    for k in range(3):
        published = reference(f"loadcell_mpc365_b{k}")[0]
        assert fit.coefficients[k] == pytest.approx(published, rel=1e-6)
    assert fit.u == pytest.approx(reference("loadcell_mpc365_se"), rel=1e-5)
    assert fit.dof == 30
    sd = reference("loadcell_mpc365_resid_sd_quadratic")[0]
    assert fit.residual_sd == pytest.approx(sd, rel=1e-7)


def test_load_cell_straight_line() -> None:
    """Source: NIST/SEMATECH e-Handbook mpc365 data, 31 df; replicates 22 df."""
    fit = polynomial_fit(LOADS, RESPONSES)
    sd = reference("loadcell_mpc365_resid_sd_linear")[0]
    assert fit.residual_sd == pytest.approx(sd, rel=1e-7)
    misfit = lack_of_fit(LOADS, RESPONSES)
    assert misfit is not None
    assert misfit.dof_scatter == 22
    replicates = reference("loadcell_mpc365_replicate_sd")[0]
    assert misfit.scatter_sd == pytest.approx(replicates, rel=1e-7)


def test_certified_load_cell() -> None:
    """Source: NIST StRD Pontius, certified values."""
    fit = polynomial_fit(*PONTIUS, degree=2)
    for k in range(3):
        assert fit.coefficients[k] == pytest.approx(reference(f"pontius_B{k}")[0], rel=1e-8)
    assert fit.u == pytest.approx(reference("pontius_se"), rel=1e-8)
    assert fit.residual_sd == pytest.approx(reference("pontius_resid_sd")[0], rel=1e-8)


@pytest.mark.parametrize(
    ("degree", "key", "significant"),
    [(1, "pontius_lof_F_straight_line", True), (2, "pontius_lof_F_quadratic", False)],
)
def test_lack_of_fit(degree: int, key: str, significant: bool) -> None:
    """Source: recomputed from the Pontius data: F 214.7 for a line, 0.81 for a parabola."""
    found = lack_of_fit(*PONTIUS, degree=degree)
    assert found is not None
    assert found.f == pytest.approx(reference(key)[0], rel=1e-5)
    assert (found.p < 0.001) == significant


def test_thermometer_line() -> None:
    """Source: JCGM 100:2008 H.3: −0.1712 (0.0029), 0.00218 (0.00067), r −0.930."""
    t = np.array(numbers("gum_h3_thermometer.csv", "t_degC")) - 20
    b = np.array(numbers("gum_h3_thermometer.csv", "correction_degC"))
    fit = polynomial_fit(t, b)
    assert fit.coefficients == pytest.approx([-0.17120379, 0.00218270], abs=1e-8)
    u0, u1, r = reference("gum_h3_u_corr")
    assert fit.u == pytest.approx([u0, u1], abs=1e-6)
    assert fit.covariance[0, 1] / fit.u[0] / fit.u[1] == pytest.approx(r, abs=1e-4)
    at_30 = float(fit.at(10.0))
    u_30 = np.sqrt(np.array([1, 10.0]) @ fit.covariance @ np.array([1, 10.0]))
    assert [at_30, u_30] == pytest.approx(reference("gum_h3_b30"), abs=1e-6)


def test_deviation_from_the_best_line() -> None:
    """By hand: loads 0, 1, 2 with readings 0, 1.03, 2 deviate by 0.02 of 2: 1 %."""
    assert deviation_pct([0, 1, 2], [0, 1.03, 2]) == pytest.approx(1.0)
    assert deviation_pct([0, 1, 1, 2], [0, 1.02, 1.04, 2]) == pytest.approx(1.0)
    assert deviation_pct([0, 2], [0, 2.1]) is None


def test_no_repeats_no_test() -> None:
    assert lack_of_fit([0, 1, 2, 3], [0, 1, 2, 3.1]) is None
    assert lack_of_fit([0, 0, 1, 1], [0, 0.1, 1, 1.1]) is None
