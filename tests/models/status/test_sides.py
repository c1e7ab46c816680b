"""A pair is as good as its worse side: by hand, and with sides that age by themselves."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.metrology import ln_from_percent
from models.status.due import Forecast, due_table, p_within
from models.status.sides import Half, side_forecast, worse_side

AS_OF = date(2026, 5, 20)
DAYS = np.array([0, 7, 365, 1826])


def pair(**changes: float) -> Half:
    half: Half = {
        "meter_id": "P",
        "sides_on": AS_OF - timedelta(days=100),
        "side_half_ln": 2.5,
        "side_half_sd_ln": 0.1,
        "side_walk_ln": 0.2,
        "side_drift_ln": 0.3,
    }
    return half | changes


def meters(half: Half) -> pl.DataFrame:
    """A spider and a pair."""
    common = {"tolerance_pct": 1.5, "last_bench": AS_OF - timedelta(days=100)}
    rows = [{"meter_id": "S"} | common, half | common]
    return pl.DataFrame(rows, infer_schema_length=None)


def judged(half: Half) -> pl.DataFrame:
    mean, sd = np.zeros((2, DAYS.size)), np.full((2, DAYS.size), 0.2)
    rows = meters(half)
    sides = side_forecast(rows, mean, sd, DAYS, as_of=AS_OF)
    return due_table(rows, Forecast(DAYS, mean, sd), as_of=AS_OF, target=0.9, sides=sides)


def test_sides_far_apart_are_out_though_their_mean_is_right() -> None:
    """+2.5 and −2.5 (100·ln), right in the mean: out today, and said so."""
    spider, found = judged(pair()).iter_rows(named=True)
    assert (spider["status"], spider["left_pct"]) == ("ok", None)
    assert (found["status"], found["due_date"]) == ("out", AS_OF)
    assert found["gain_error_pct"] == 0.0
    assert found["left_pct"] == pytest.approx(100 * np.expm1(0.025))
    assert found["right_pct"] == pytest.approx(100 * np.expm1(-0.025))
    years = 100 / 365.25
    sd = np.sqrt(0.2**2 + 0.1**2 + 0.2**2 * years + (0.3 * years) ** 2)
    assert found["right_sd_pct"] == pytest.approx(sd * np.exp(-0.025))
    assert found["p_within_tolerance"] == min(found["left_p"], found["right_p"])
    assert found["p_within_tolerance"] < 0.01
    assert "left side reads +2.5 %" in found["reasons"][0]
    assert "reset" in found["next_action"]


def test_sides_alike_are_as_sure_as_what_parts_them() -> None:
    spider, found = judged(pair(side_half_ln=0.0)).iter_rows(named=True)
    assert found["status"] == "ok"
    assert found["p_within_tolerance"] < spider["p_within_tolerance"]
    assert found["due_date"] is not None
    assert found["reasons"][0].startswith("Reads neither high nor low")


def test_the_plan_takes_the_worse_side() -> None:
    """The same variances as the forecast's, and the correlation of a walk and a drift."""
    half = pair(side_half_ln=-0.8)
    days = [AS_OF + timedelta(days=int(d)) for d in DAYS]
    mean, covariance = worse_side(half, np.full(4, 0.3), np.full((4, 4), 0.04), days)
    assert mean == pytest.approx(np.full(4, 1.1))
    whole = 100 * np.expm1(np.full((2, 4), 0.003))
    sides = side_forecast(meters(half), whole, 0.2 * (1 + whole / 100), DAYS, as_of=AS_OF)
    sd_ln = sides.sd_pct["right"][0] / (1 + sides.mean_pct["right"][0] / 100)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(sd_ln)
    assert ln_from_percent(sides.mean_pct["right"][0]) == pytest.approx(mean)


def test_sides_that_age_by_themselves_are_within_as_often_as_said() -> None:
    """3,000 pairs: both sides wander and drift apart from where the bench left them."""
    rng = np.random.default_rng(4)
    n, years, walk, drift = 3000, 1.5, 0.35, 0.3
    left_at = rng.normal(0, 0.5, (2, n))
    aged = left_at + rng.normal(0, walk * np.sqrt(2 * years), (2, n))
    aged += rng.normal(0, drift * np.sqrt(2), (2, n)) * years
    seen = (left_at[0] - left_at[1]) / 2 + rng.normal(0, 0.1, n)
    whole = left_at.mean(axis=0)
    sd = np.sqrt(walk**2 * years + (drift * years) ** 2)
    rows = pl.DataFrame(
        {
            "sides_on": [AS_OF - timedelta(days=round(years * 365.25))] * n,
            "side_half_ln": seen,
            "side_half_sd_ln": [0.1] * n,
            "side_walk_ln": [walk] * n,
            "side_drift_ln": [drift] * n,
        }
    )
    percent = 100 * np.expm1(whole / 100)[:, None]
    told = side_forecast(rows, percent, sd * (1 + percent / 100), np.array([0]), as_of=AS_OF)
    limit = np.full(n, 1.5)
    for side, truth in zip(("left", "right"), aged, strict=True):
        p = p_within(told.mean_pct[side][:, 0], told.sd_pct[side][:, 0], limit)
        share = float(np.mean(np.abs(100 * np.expm1(truth / 100)) <= 1.5))
        assert share == pytest.approx(float(p.mean()), abs=0.03)
