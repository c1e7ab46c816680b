"""Decision rule and probability of conformity."""

import math

import numpy as np
import pytest
from scipy.special import ndtr

from models.metrology import INFINITE, normal_cdf, p_within, verdict
from models.metrology.conformity import p_between
from tests.models.truth import reference


def test_probabilities_of_conformity() -> None:
    """Source: JCGM 106:2012, clause 7 (inputs from memory, not verified): 0.92, 0.99, 0.66."""
    upper = p_between(-math.inf, -5.40, estimate=-5.47, u=0.05)
    assert upper == pytest.approx(reference("jcgm106_upper_limit")[0], abs=1e-6)
    lower = p_between(490.0, math.inf, estimate=509.7, u=8.6)
    assert lower == pytest.approx(reference("jcgm106_lower_limit")[0], abs=1e-6)
    both = p_between(12.5, 16.3, estimate=13.6, u=1.8)
    assert both == pytest.approx(reference("jcgm106_two_sided")[0], abs=1e-6)


def test_few_degrees_of_freedom_widen_the_tails() -> None:
    """By hand: P(|t| ≤ 2.353363) with 3 degrees of freedom is 0.90; truncated from 3.9."""
    assert p_within(0.0, 1.0, dof=3.9, tolerance_pct=2.353363) == pytest.approx(0.90, abs=1e-6)
    one_sided = p_between(-math.inf, 2.353363, estimate=0.0, u=1.0, dof=3.0)
    assert one_sided == pytest.approx(0.95, abs=1e-6)


def test_no_uncertainty_decides() -> None:
    assert p_within(1.4, 0.0, dof=INFINITE, tolerance_pct=1.5) == 1.0
    assert p_within(-1.6, 0.0, dof=INFINITE, tolerance_pct=1.5) == 0.0


@pytest.mark.parametrize(
    ("error", "expanded", "expected"),
    [
        (1.0, 0.5, "in_tolerance"),
        (-1.0, 0.5, "in_tolerance"),
        (1.01, 0.5, "indeterminate"),
        (2.0, 0.5, "indeterminate"),
        (2.01, 0.5, "out_of_tolerance"),
        (-2.01, 0.5, "out_of_tolerance"),
        (0.0, 1.6, "indeterminate"),
    ],
)
def test_guard_band_of_the_whole_uncertainty(error: float, expanded: float, expected: str) -> None:
    """Source: ILAC-G8:09/2019, 4.2: acceptance limit = tolerance − U."""
    assert verdict(error, expanded, tolerance_pct=1.5) == expected


def test_risk_at_the_acceptance_limit() -> None:
    """Source: ILAC-G8: at most 2.5 % false accept with w = U (k = 1.96)."""
    u = 0.1
    risk = 1 - p_between(-math.inf, 1.5, estimate=1.5 - 1.959964 * u, u=u)
    assert 100 * risk == pytest.approx(reference("ilac_g8_risk")[1], abs=0.01)


def test_normal_cdf_is_scipys_however_many_values() -> None:
    z = np.array([-np.inf, -8.0, -1.5, 0.0, 0.3, 4.0, np.inf, np.nan])
    assert np.allclose(normal_cdf(z), ndtr(z), rtol=1e-13, atol=0, equal_nan=True)
    many = np.linspace(-6, 6, 600_000)
    assert np.allclose(normal_cdf(many)[::100_000], normal_cdf(many[::100_000]), rtol=1e-13, atol=0)
