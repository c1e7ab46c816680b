"""Interval-censored survival: published data sets, special cases, simulated fleets."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.ageing import fit_weibull
from models.ageing.survival import (
    TIME_TO_OUT_SCHEMA,
    time_to_out_table,
    times_to_out,
    weibull_quantile,
    weibull_survival,
)
from tests.models.truth import rows


def freireich(arm):
    """Times to relapse as intervals: exact or right-censored."""
    table = [row for row in rows("freireich_6mp.csv") if row["arm"] == arm]
    weeks = np.array([float(row["time_weeks"]) for row in table])
    relapsed = np.array([row["event"] == "1" for row in table])
    return weeks, np.where(relapsed, weeks, np.inf)


@pytest.mark.parametrize(
    ("arm", "scale", "shape", "loglik"),
    [("6mp", 33.76515, 1.353735, -41.658678), ("control", 9.482141, 1.370500, -64.920108)],
)
def test_weibull_of_freireich(arm, scale, shape, loglik):
    """Recomputed maximum likelihood of right-censored Weibull times."""
    fit = fit_weibull(*freireich(arm))
    assert fit.converged
    assert (fit.scale, fit.shape) == pytest.approx((scale, shape), rel=1e-5)
    assert fit.loglik == pytest.approx(loglik, abs=1e-4)


def test_exponential_rate_is_events_over_exposure():
    """6-MP arm: 9 relapses in 359 weeks; its log has the standard error 1/√9."""
    fit = fit_weibull(*freireich("6mp"), shape=1.0)
    assert 1 / fit.scale == pytest.approx(0.02506964, abs=1e-8)
    assert np.sqrt(fit.cov_log[0, 0]) == pytest.approx(1 / 3, rel=1e-4)


def test_weibull_reliability_worked_numbers():
    """eta 36 months, beta 2: 8.15328826 months to 0.95, R(12) = 0.89483932."""
    fit = fit_weibull(*freireich("6mp"))._replace(scale=36.0, shape=2.0)
    assert weibull_quantile(fit, 0.95)[0] == pytest.approx(8.15328826, abs=1e-7)
    assert weibull_quantile(fit, 0.85)[0] == pytest.approx(14.51290917, abs=1e-7)
    assert weibull_survival(fit, np.array([12.0]))[0].item() == pytest.approx(0.89483932, abs=1e-7)


def test_wrong_intervals_are_refused_in_words():
    with pytest.raises(ValueError, match=r"found \(3, 2\], expected intervals"):
        fit_weibull(np.array([3.0]), np.array([2.0]))
    with pytest.raises(ValueError, match="found none"):
        fit_weibull(np.array([]), np.array([]))


def test_nobody_out_has_no_maximum():
    fit = fit_weibull(np.array([1.0, 2.0]), np.array([np.inf, np.inf]))
    assert not fit.converged
    assert np.isinf(fit.scale)


TODAY = date(2026, 1, 1)
BORN = date(2022, 1, 1)


def fleet(*meters, group="A"):
    """meters of (day, error), …; tolerance 1.5."""
    table = pl.DataFrame(
        {
            "meter_id": [f"{group}{n}" for n in range(len(meters))],
            "tolerance_pct": 1.5,
            "in_service_date": BORN,
            "kind": "hub",
            "model_group": group,
        }
    )
    found = [
        {
            "meter_id": f"{group}{n}",
            "measured_at": datetime(2022, 1, 1, 12, tzinfo=UTC) + timedelta(days=int(day)),
            "gain_error_pct": float(error),
        }
        for n, sessions in enumerate(meters)
        for day, error in sessions
    ]
    return pl.DataFrame(found), table


def test_first_time_out_lies_between_two_sessions():
    sessions, meters = fleet(
        [(100, 0.1), (300, -1.6), (500, 0.0)],  # out between the first and the second
        [(100, 0.1), (300, 0.2)],  # not yet
        [(200, 2.0)],  # out before its first session
        [(0, 2.0)],  # out on its first day
        [(100, 0.0), (4000, 9.0)],  # found after today
    )
    times = times_to_out(sessions, meters, today=TODAY).sort("meter_id")
    days = (times.select("lo_years", "hi_years") * 365.25).rows()
    expected = [(100, 300), (300, np.inf), (0, 200), (0, 1), (100, np.inf)]
    for found, wanted in zip(days, expected, strict=True):
        assert found == pytest.approx(wanted)


def test_groups_with_few_findings_say_so():
    none, meters_b = fleet([(300, 0.1)], [(400, 0.2)], group="B")
    one, meters_c = fleet([(300, 1.9)], [(400, 0.2)], group="C")
    all_first, meters_d = fleet([(300, 1.9)], [(400, 2.2)], [(200, 2.0)], group="D")
    sessions = pl.concat([none, one, all_first])
    meters = pl.concat([meters_b, meters_c, meters_d])
    table = time_to_out_table(sessions, meters, today=TODAY)
    assert table.schema == pl.Schema(TIME_TO_OUT_SCHEMA)
    assert table["method"].to_list() == ["none", "exponential", "none"]
    assert table["reason"][0] == "None of 2 went out in 1.9 meter-years."
    assert table["reason"][1] == "Only 1 went out."
    assert table["reason"][2].startswith("All were out at their first session")
    assert table["median_years"][0] is None
    assert table["within_1y_lo"][1] < table["within_1y"][1] < table["within_1y_hi"][1]


def test_simulated_fleets_cover_the_true_reliability():
    """40 meters seen about twice a year for three years, Weibull(3 years, 1.8): 60 fleets."""
    rng = np.random.default_rng(42)
    true_at, true_share = 3.0 * (-np.log(0.9)) ** (1 / 1.8), np.exp(-((1 / 3.0) ** 1.8))
    covered, medians = np.zeros(2), []
    for _ in range(60):
        out_at = 3.0 * rng.weibull(1.8, 40)
        checks = [np.sort(rng.uniform(0.1, 3.0, 6)) * 365.25 for _ in out_at]
        sessions, meters = fleet(
            *(
                [(day, 2.0 if day / 365.25 > t else 0.0) for day in days]
                for t, days in zip(out_at, checks, strict=True)
            )
        )
        row = time_to_out_table(sessions, meters, today=TODAY).row(0, named=True)
        covered += (
            row["reliable_lo"] <= true_at <= row["reliable_hi"],
            row["within_1y_lo"] <= true_share <= row["within_1y_hi"],
        )
        medians.append(row["median_years"])
    assert (covered / 60 >= 0.80).all()
    assert np.mean(medians) == pytest.approx(3.0 * np.log(2) ** (1 / 1.8), rel=0.08)
