"""Control charts: NIST/SEMATECH e-Handbook 6.3.2.2–4, and simulation of the false-alarm budget."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.ageing import Limits, control_charts, detection_table, limits_from_budget
from models.ageing.charts import cusum_values, ewma_values
from tests.models.truth import numbers


def test_ewma_of_the_handbook():
    """NIST 6.3.2.4: λ 0.3, target 50, s 2.0539, 3 sd: limits 52.5884 and 47.4115, no signal."""
    limits = Limits(individuals=3.0, ewma=3.0, cusum=5.0, ewma_weight=0.3)
    x = np.array(numbers("nist_ewma_6324.csv", "x"))
    z = 50 + 2.0539 * ewma_values((x[None, :] - 50) / 2.0539, limits)[0]
    assert z == pytest.approx(numbers("nist_ewma_6324.csv", "ewma_exact"), abs=1e-8)
    assert z == pytest.approx(numbers("nist_ewma_6324.csv", "ewma_published"), abs=0.0051)
    assert 50 + 2.0539 * limits.ewma_limit_z == pytest.approx(52.5884, abs=2e-4)
    assert 50 - 2.0539 * limits.ewma_limit_z == pytest.approx(47.4115, abs=2e-4)
    assert (_charts((x - 50) / 2.0539, limits)["ewma_signal"] == 0).all()


def test_cusum_of_the_handbook():
    """NIST 6.3.2.3: target 325, k 0.3175, h 4.1959 (0.5 and 6.608 of sd 0.635), signal at 14."""
    sd = 0.635
    limits = Limits(individuals=99.0, ewma=99.0, cusum=4.1959 / sd, cusum_reference=0.3175 / sd)
    z = (np.array(numbers("nist_cusum_6323.csv", "x")) - 325) / sd
    high, low = (sd * side[0] for side in cusum_values(z[None, :], limits))
    assert high == pytest.approx(numbers("nist_cusum_6323.csv", "s_hi_exact"), abs=1e-6)
    assert low == pytest.approx(numbers("nist_cusum_6323.csv", "s_lo_exact"), abs=1e-6)
    assert high == pytest.approx(numbers("nist_cusum_6323.csv", "s_hi_published"), abs=0.0051)
    signals = _charts(z, limits)["cusum_signal"].to_list()
    assert signals.index(1) + 1 == 14
    assert signals == numbers("nist_cusum_6323.csv", "signal")


def _charts(z, limits, **options):
    start = datetime(2026, 1, 1, tzinfo=UTC)
    frame = pl.DataFrame(
        {"meter_id": ["M1"] * len(z), "at": [start + timedelta(days=n) for n in range(len(z))]}
    ).with_columns(pl.Series("z", z, dtype=pl.Float64))
    return control_charts(frame, limits, **options)


LIMITS = Limits(individuals=3.5, ewma=3.2, cusum=5.0)


def test_missing_values_make_the_charts_wait():
    whole = _charts([2.0, 2.0, 2.0, 2.0, 2.0], LIMITS)
    gaps = _charts([2.0, None, 2.0, float("nan"), 2.0, 2.0, 2.0, None], LIMITS)
    kept = gaps.filter(pl.col("z").is_finite())
    for column in ("ewma", "cusum_high", "cusum_low", "ewma_signal", "cusum_signal"):
        assert kept[column].to_list() == whole[column].to_list()
    assert gaps["ewma_signal"].to_list()[-1] == 0  # no value, no signal


def test_signals_have_a_side_and_a_restart_begins_at_zero():
    down = _charts([-4.0] * 4, LIMITS)
    assert down["individuals_signal"].to_list() == [-1] * 4
    assert down["cusum_signal"].to_list() == [0, -1, -1, -1]
    again = _charts([-4.0] * 4, LIMITS, restart=True)
    assert again["cusum_signal"].to_list() == [0, -1, 0, -1]


def test_devices_do_not_mix_and_an_empty_frame_stays_empty():
    start = datetime(2026, 1, 1, tzinfo=UTC)
    frame = pl.DataFrame(
        {
            "meter_id": ["B", "A", "B", "A", "A"],
            "at": [start + timedelta(days=n) for n in range(5)],
            "z": [5.0, 0.1, 5.0, 0.2, 0.3],
        }
    )
    charts = control_charts(frame, LIMITS)
    assert charts["meter_id"].to_list() == list("AAABB")
    assert (charts.filter(pl.col("meter_id") == "A")["cusum_signal"] == 0).all()
    empty = control_charts(frame.clear(), LIMITS)
    assert empty.is_empty()
    assert empty.columns == charts.columns


def test_the_budget_is_shared_out_and_its_promise_adds_up():
    budget = limits_from_budget(1.0, 1440.0)
    assert budget.table["false_alarms_per_season"].sum() == pytest.approx(1.0, rel=1e-6)
    assert budget.table["arl"].to_list() == pytest.approx([4320.0] * 3, rel=1e-6)
    tighter = limits_from_budget(0.1, 1440.0).limits
    assert tighter.individuals > budget.limits.individuals > 3.0


def test_three_sigma_cries_wolf_weekly_in_a_large_fleet():
    """120 meters, monthly: 1,440 points at ARL 370 are four false alarms a season on one chart."""
    assert 1440 / Limits(3.0, 3.0, 5.0).arl("individuals") == pytest.approx(3.888, abs=1e-3)


def test_tiny_fleets_and_bad_budgets():
    small = limits_from_budget(1.0, 0.0).limits
    assert small.individuals > 0
    assert small.ewma > 0
    with pytest.raises(ValueError, match="false_alarms_per_season: found 0"):
        limits_from_budget(0.0, 100.0)


@pytest.mark.parametrize("seed", [1, 2])
def test_false_alarms_of_a_simulated_season_meet_the_budget(seed):
    """1,000 seasons of 120 meters × 12 points: alarms a season within 4 standard errors of 1.

    Each chart restarts after its own alarm. Long histories, so that zero start does not matter.
    """
    budget = limits_from_budget(30.0, 1440.0)  # often enough to be counted
    rng = np.random.default_rng(seed)
    z = rng.standard_normal((480, 3000))
    seasons = z.size / 1440
    limits = budget.limits
    counts = {
        "individuals": (np.abs(z) > limits.individuals).sum(),
        "ewma": (np.abs(ewma_values(z, limits, restart=True)) > limits.ewma_limit_z).sum(),
        "cusum": sum((side > limits.cusum).sum() for side in cusum_values(z, limits, restart=True)),
    }
    for chart, expected in zip(
        budget.table["chart"], budget.table["false_alarms_per_season"], strict=True
    ):
        assert counts[chart] / seasons == pytest.approx(
            expected, abs=4 * np.sqrt(expected / seasons)
        )


def test_merged_alarms_stay_within_the_budget():
    """Signals of all charts on one day are one alarm and restart all: 0.6 to 0.8 of the budget."""
    limits = limits_from_budget(30.0, 1440.0).limits
    rng = np.random.default_rng(4)
    ewma, high, low = np.zeros((3, 2000))
    alarms = 0
    for _ in range(720):  # 1,000 seasons
        z = rng.standard_normal(2000)
        ewma = (1 - limits.ewma_weight) * ewma + limits.ewma_weight * z
        high = np.maximum(0, high + z - limits.cusum_reference)
        low = np.maximum(0, low - z - limits.cusum_reference)
        alarm = (np.abs(z) > limits.individuals) | (np.abs(ewma) > limits.ewma_limit_z)
        alarm |= np.maximum(high, low) > limits.cusum
        alarms += alarm.sum()
        ewma[alarm] = high[alarm] = low[alarm] = 0.0
    assert 0.6 < alarms / 1000 / 30.0 < 0.8


def test_detection_table_matches_run_lengths_and_simulation():
    limits = limits_from_budget(1.0, 1440.0).limits
    table = detection_table(limits, [0.5, 1.0, 2.0], innovation_sd_pct=0.5)
    assert table.height == 9
    one = table.filter(step_pct=1.0, chart="ewma").row(0, named=True)
    assert one["step_sd"] == 2.0
    assert one["expected_observations"] == pytest.approx(limits.arl("ewma", 2.0))
    z = np.random.default_rng(3).standard_normal((20_000, 6)) + 2.0
    signalled = np.abs(ewma_values(z, limits)) > limits.ewma_limit_z
    assert one["found_within_3"] == pytest.approx(signalled[:, :3].any(axis=1).mean(), abs=0.015)
    assert one["found_within_6"] == pytest.approx(signalled.any(axis=1).mean(), abs=0.015)


def test_a_step_that_the_forecast_absorbs_may_never_be_found():
    limits = limits_from_budget(1.0, 1440.0).limits
    table = detection_table(limits, [0.5, 3.0], innovation_sd_pct=0.5, absorbed=0.6)
    small = table.filter(step_pct=0.5, chart="individuals").row(0, named=True)
    assert small["expected_observations"] is None
    assert small["found_within_12"] < 0.05
    large = table.filter(step_pct=3.0, chart="individuals").row(0, named=True)
    assert large["found_within_1"] > 0.98
    assert large["expected_observations"] == pytest.approx(1.0, abs=0.05)


def test_charts_need_a_spread():
    with pytest.raises(ValueError, match="innovation_sd_pct: found 0"):
        detection_table(LIMITS, [1.0], innovation_sd_pct=0.0)
