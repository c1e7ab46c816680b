"""Pairs are forecast, and found, as their worse side is."""

from datetime import UTC, datetime

import polars as pl
import pytest
from scipy.stats import norm

from models.honesty.pair_sides import by_worse_side


def test_a_pair_is_as_its_worse_side_by_hand() -> None:
    """Sides left 1.2 apart in ln on 1 May, forecast 0 a year later; a spider beside it."""
    sessions = pl.DataFrame(
        {
            "session_id": ["p0", "p1", "s1"],
            "meter_id": ["P", "P", "S"],
            "measured_at": [datetime(y, 5, 1, tzinfo=UTC) for y in (2025, 2026, 2026)],
            "side_half_ln": [1.2, 1.3, None],
            "u_side_half_pct": [0.1, 0.1, None],
            "arm_difference_pct": [2.4, 3.4, 3.4],
        }
    )
    told = pl.DataFrame(
        {
            "session_id": ["p0", "p1", "s1"],
            "forecast_ln": 0.0,
            "sd_ln": 0.3,
            "side_walk_ln": 0.2,
            "side_drift_ln": 0.1,
            "found_pct": 0.1,
            "tolerance_pct": 1.5,
            "p_within_tolerance": 0.999,
        }
    )
    out = by_worse_side(told, sessions)
    assert out["worst_pct"].to_list() == pytest.approx([0.1, 1.8, 0.1])  # p0: nothing before it
    sd = (0.3**2 + 2 * 0.1**2 + 0.2**2 + 0.1**2) ** 0.5
    # the left side, 100 (exp 0.012 − 1) = 1.207 %, is nearer its limit than the right
    by_hand = norm.cdf((1.5 - 1.2072) / (1.012072 * sd))
    assert out["p_within_tolerance"].to_list() == pytest.approx([0.999, by_hand, 0.999], abs=2e-3)
    alone = by_worse_side(told, sessions.drop("side_half_ln"))
    assert alone["worst_pct"].to_list() == pytest.approx([0.1] * 3)
