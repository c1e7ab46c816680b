"""Errors in 100·ln and in plain percent, and days as years, there and back."""

from datetime import UTC, date, datetime

import numpy as np
import polars as pl
import pytest

from models.metrology import (
    Z90,
    date_of,
    instants,
    interval90,
    ln_from_percent,
    ln_from_ratio,
    noon,
    percent_from_ln,
    percent_sd,
    ratio_from_ln,
    robust_sd,
    year_of,
    years,
)


def test_percent_there_and_back() -> None:
    """By hand: a reading of 1.02 for 1 is 2 %, 100 · ln 1.02 = 1.980263 in 100·ln."""
    assert ln_from_percent(2.0) == pytest.approx(1.980263, abs=5e-7)
    assert ln_from_ratio(1.02) == pytest.approx(ln_from_percent(2.0), rel=1e-12)
    assert percent_from_ln(ln_from_percent(2.0)) == pytest.approx(2.0, rel=1e-12)
    assert ratio_from_ln(ln_from_ratio(1.02)) == pytest.approx(1.02, rel=1e-12)


@pytest.mark.parametrize("convert", [percent_from_ln, ratio_from_ln, ln_from_percent])
def test_numbers_arrays_and_expressions_agree(convert) -> None:  # type: ignore[no-untyped-def]
    values = [-3.0, 0.0, 1e-6, 2.5]
    frame = pl.DataFrame({"x": values}).select(convert(pl.col("x")))
    assert convert(np.array(values)) == pytest.approx([convert(x) for x in values], rel=1e-12)
    assert frame["x"].to_list() == pytest.approx([convert(x) for x in values], abs=1e-13)


def test_an_interval_in_percent_is_that_in_ln_at_its_ends() -> None:
    """Source: tables of the standard normal: 95 % quantile 1.6449; d(100·e^(x/100)) = e^(x/100)."""
    assert pytest.approx(1.6449, abs=5e-5) == Z90
    low, high = interval90(2.0, 0.3)
    assert low == percent_from_ln(2.0 - Z90 * 0.3)
    assert high == percent_from_ln(2.0 + Z90 * 0.3)
    assert percent_sd(2.0, 0.3) == pytest.approx((high - low) / (2 * Z90), rel=1e-4)


def test_days_and_years() -> None:
    """A calendar day is its noon among observations and its end where "up to a day" is meant."""
    day = date(2026, 3, 1)
    assert noon(day) == datetime(2026, 3, 1, 12, tzinfo=UTC)
    assert years(pl.Series([day]))[0] == pytest.approx(year_of(noon(day)), abs=1e-12)
    assert date_of(year_of(day)) == day
    assert date_of(year_of(day) + 1e-8) == date(2026, 3, 2)
    assert instants(np.array([year_of(noon(day))])).to_list() == [noon(day)]


def test_robust_sd_is_the_normals_and_does_not_follow_outliers() -> None:
    """Source: the normal's third quartile is 0.67449 sd, and 1 / 0.67449 = 1.4826."""
    values = np.array([-0.67449, 0.0, 0.67449, 0.67449, -0.67449, 1e6, 0.5])
    assert robust_sd(values, about=0.0) == pytest.approx(1.0, abs=1e-4)
    assert robust_sd(values + 5.0, about=5.0) == pytest.approx(1.0, abs=1e-4)
    assert robust_sd(np.array([1.0, 2.0, 3.0])) == pytest.approx(1.4826)
