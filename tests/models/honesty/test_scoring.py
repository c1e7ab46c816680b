"""Scores of forecasts against cases worked by hand and simulation."""

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm

from models.honesty.scoring import (
    HINDCAST_SCHEMA,
    brier_score,
    reliability_table,
    score_hindcast,
)


def test_brier_by_hand():
    """(0.1² + 0.4² + 0.7²)/3 for 0.9 yes, 0.6 yes, 0.7 no."""
    score = brier_score(np.array([0.9, 0.6, 0.7]), np.array([True, True, False]))
    assert score == pytest.approx((0.01 + 0.16 + 0.49) / 3)


def test_reliability_bins_hold_their_edges():
    p = np.array([0.0, 0.05, 0.1, 0.85, 0.9, 1.0])
    happened = np.array([False, False, True, True, True, True])
    table = reliability_table(p, happened)
    assert table["p_from"].to_list() == pytest.approx([0.0, 0.1, 0.8, 0.9])
    assert table["n"].to_list() == [2, 1, 1, 2]
    assert table["share"].to_list() == [0.0, 1.0, 1.0, 1.0]
    assert table["mean_p"][3] == pytest.approx(0.95)
    assert reliability_table(p[:0], happened[:0]).is_empty()


def hindcast(rng, n_meters=60, each=5, *, claimed=1.0, bias=0.0):
    """Forecasts whose sd is `claimed` times the true one."""
    n = n_meters * each
    forecast, sd = rng.normal(0, 1, n), rng.uniform(0.3, 0.8, n)
    found = forecast + bias + sd * rng.standard_normal(n)
    said = claimed * sd
    p = norm.cdf((1.5 - forecast) / said) - norm.cdf((-1.5 - forecast) / said)
    return pl.DataFrame(
        {
            "meter_id": np.repeat(np.arange(n_meters), each).astype(str),
            "model_group": np.where(np.arange(n) % 2, "A", "B"),
            "forecast_pct": forecast,
            "forecast_sd_pct": said,
            "found_pct": found,
            "worst_pct": np.abs(found),
            "tolerance_pct": 1.5,
            "p_within_tolerance": p,
        }
    )


def test_honest_forecasts_score_as_they_should():
    row = score_hindcast(hindcast(np.random.default_rng(31), 400)).row(0, named=True)
    assert (row["n"], row["n_meters"]) == (2000, 400)
    assert row["coverage90"] == pytest.approx(0.90, abs=0.02)
    assert row["coverage90_lo"] < 0.90 < row["coverage90_hi"]
    assert row["mean_p_within_tolerance"] == pytest.approx(row["within_tolerance_share"], abs=0.02)
    assert abs(row["bias_pct"]) < 3 * row["u_bias_pct"]
    assert row["rmse_pct"] == pytest.approx(row["mean_sd_pct"], rel=0.05)
    assert row["brier"] < 0.8 * row["brier_no_skill"]


def test_boasting_and_biased_forecasts_are_seen_through():
    rng = np.random.default_rng(32)
    boast = score_hindcast(hindcast(rng, claimed=0.6)).row(0, named=True)
    assert boast["coverage90_hi"] < 0.80
    biased = score_hindcast(hindcast(rng, bias=0.3)).row(0, named=True)
    assert biased["bias_pct"] > 5 * biased["u_bias_pct"]


def test_scores_by_group_and_rows_without_a_value():
    frame = hindcast(np.random.default_rng(33))
    broken = frame.with_columns(
        found_pct=pl.when(pl.int_range(pl.len()) < 10).then(None).otherwise("found_pct")
    )
    table = score_hindcast(broken, by="model_group")
    assert table["model_group"].to_list() == ["A", "B"]
    assert table["n"].sum() == frame.height - 10
    none = score_hindcast(frame.clear())
    assert none.schema == pl.Schema(HINDCAST_SCHEMA)
    assert none.row(0, named=True)["n"] == 0
    assert none["coverage90"].to_list() == [None]
