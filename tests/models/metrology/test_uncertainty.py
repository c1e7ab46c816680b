"""Budgets against the GUM's own examples."""

import math

import numpy as np
import pytest

from models.metrology import (
    INFINITE,
    Term,
    budget,
    combine_correlated,
    coverage_factor,
    pooled_with_prior,
    standard,
)
from models.metrology.uncertainty import combine, welch_satterthwaite
from tests.models.truth import numbers, reference, rows


def test_end_gauge_combined_uncertainty_and_dof() -> None:
    """Source: JCGM 100:2008 H.1: u_c 32 nm, ν_eff 16.7 used as 16, U99 93 nm.

    H.1 takes the comparator's three parts as one, u 9.7 nm with ν 25.6, in its ν_eff.
    """
    table = {row["quantity"]: row for row in rows("gum_h1_end_gauge.csv")}
    u = {name: float(row["contribution_nm"]) for name, row in table.items()}
    dof = {name: float(row["dof"]) for name, row in table.items()}
    parts = ["d_mean", "d_comparator_random", "d_comparator_systematic"]
    u_d = combine(u[p] for p in parts)
    dof_d = welch_satterthwaite([u[p] for p in parts], [dof[p] for p in parts])
    assert u_d == pytest.approx(reference("gum_h1_u_d")[0], abs=1e-5)
    assert dof_d == pytest.approx(25.45, abs=0.005)
    us = [u["ls"], u_d, u["dalpha"], u["dtheta"]]
    dofs = [18.0, dof_d, 50.0, 2.0]
    assert combine(us) == pytest.approx(reference("gum_h1_uc")[0], abs=1e-4)
    assert welch_satterthwaite(us, dofs) == pytest.approx(reference("gum_h1_dof")[0], abs=1e-3)
    k = coverage_factor(welch_satterthwaite(us, dofs), level=0.99)
    assert k == pytest.approx(reference("gum_h1_t99")[0], abs=5e-3)
    assert k * combine(us) == pytest.approx(reference("gum_h1_U99")[0], abs=1e-2)


def test_end_gauge_as_a_budget_of_terms() -> None:
    """The same example through `budget`: ν_eff 16.75, so k is that of 16."""
    table = rows("gum_h1_end_gauge.csv")
    terms = [
        Term(r["quantity"], float(r["contribution_nm"]), "B", "normal", "session", float(r["dof"]))
        for r in table
        if float(r["contribution_nm"]) > 0
    ]
    found = budget(terms)
    assert found.u_pct == pytest.approx(31.66388, abs=1e-4)
    assert found.dof == pytest.approx(16.7519, abs=1e-3)
    assert found.coverage_factor == pytest.approx(2.12, abs=5e-3)
    assert found.largest is not None
    assert found.largest.source == "ls"


def test_resistance_and_reactance_with_correlated_inputs() -> None:
    """Source: JCGM 100:2008 H.2: u(R) 0.071, u(X) 0.295, u(Z) 0.236 Ω."""
    table = rows("gum_h2_impedance.csv")
    names = ("V_volt", "I_mA", "phi_rad")
    data = np.array([[float(r[c]) for c in names] for r in table])
    data[:, 1] /= 1000
    V, current, phi = data.mean(axis=0)
    u = data.std(axis=0, ddof=1) / math.sqrt(len(data))
    correlation = np.corrcoef(data.T)
    assert [correlation[0, 1], correlation[0, 2], correlation[1, 2]] == pytest.approx(
        reference("gum_h2_corr_in"), abs=1e-3
    )
    z = V / current
    sensitivities = {
        "R": (math.cos(phi) / current, -z * math.cos(phi) / current, -z * math.sin(phi)),
        "X": (math.sin(phi) / current, -z * math.sin(phi) / current, z * math.cos(phi)),
        "Z": (1 / current, -z / current, 0.0),
    }
    published = reference("gum_h2_u")
    for expected, c in zip(published, sensitivities.values(), strict=True):
        parts = [ci * ui for ci, ui in zip(c, u, strict=True)]
        assert combine_correlated(parts, correlation) == pytest.approx(expected, abs=1e-4)


def test_correlation_of_one_adds_up() -> None:
    """GUM 5.2.2 note 1."""
    assert combine_correlated([3.0, 4.0], 1.0) == pytest.approx(7.0)
    assert combine_correlated([3.0, 4.0], 0.0) == pytest.approx(5.0)
    assert combine_correlated([3.0, -3.0], 1.0) == pytest.approx(0.0)


@pytest.mark.parametrize(("column", "level"), [("p90", 0.90), ("p95", 0.95), ("p99", 0.99)])
def test_coverage_factors_of_the_table(column: str, level: float) -> None:
    """Source: JCGM 100:2008 table G.2; ν 35 at 90 % is printed 1.70, exactly 1.6896."""
    for row in rows("gum_t_table_g2.csv"):
        digits = len(row[column].partition(".")[2])
        tolerance = 0.011 if (row["nu"], column) == ("35", "p90") else 0.51 * 10**-digits
        found = coverage_factor(float(row["nu"]), level)
        assert found == pytest.approx(float(row[column]), abs=tolerance)


def test_dof_are_truncated_before_looking_up() -> None:
    """GUM G.6.4; an infinite number gives the normal quantile."""
    assert coverage_factor(16.99) == coverage_factor(16.0)
    assert coverage_factor(0.4) == coverage_factor(1.0)
    assert coverage_factor(INFINITE) == pytest.approx(1.959964, abs=1e-6)


def test_half_widths() -> None:
    """GUM 4.3.7, 4.3.9, H.1.3.4."""
    assert standard(1.0) == pytest.approx(0.57735, abs=1e-5)
    assert standard(1.0, "triangular") == pytest.approx(0.408248, abs=1e-6)
    assert standard(0.5, "arcsine") == pytest.approx(0.35355339, abs=1e-8)


def test_parts_of_a_budget_by_what_they_are_shared_with() -> None:
    terms = [
        Term("a", 3.0, "A", "normal", "session", 4.0),
        Term("b", 4.0, "B", "normal", "session"),
        Term("c", 12.0, "B", "rectangular", "crank"),
    ]
    found = budget(terms)
    assert found.u_pct == pytest.approx(13.0)
    assert found.part("session") == pytest.approx((5.0, 5**4 / (3**4 / 4)))
    assert found.part("crank") == (12.0, INFINITE)
    assert found.part("place") == (0.0, INFINITE)


def test_pooling_with_a_prior() -> None:
    """No observation: the prior. Enough: the observations alone. Between: weighed by dof."""
    settings = {"prior_sd": 0.2, "prior_dof": 2.0, "enough": 4}
    assert pooled_with_prior(0.0, 0, **settings) == (0.2, 2.0, "B")
    assert pooled_with_prior(0.36, 4, **settings) == (0.3, 4, "A")
    sd, dof, kind = pooled_with_prior(0.28, 2, **settings)
    assert (sd, dof, kind) == (pytest.approx(0.3), 4.0, "A")


def test_t_table_is_complete() -> None:
    """The table that the check above runs over."""
    assert len(numbers("gum_t_table_g2.csv", "nu")) == 27
