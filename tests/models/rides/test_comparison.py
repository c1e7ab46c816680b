"""Pairs of recordings with a known gain, zero offset and lag; and what spoils a pair."""

import json
from dataclasses import replace
from datetime import UTC
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.rides import CannotCompareError, Comparison, NoOverlap, compare_recordings
from models.rides.alignment.averaging_windows import Windows
from models.rides.alignment.exclusions import REASONS
from models.rides.alignment.smoothing import Bare, match, smoothed
from models.rides.gain_fit import fit_windows
from models.rides.ride_covariance import long_run_variance
from models.wording import Reason
from tests.simulate.rides import (
    Mishaps,
    Pair,
    Sensor,
    Truth,
    autoregressive,
    pair_from_power,
    random_pair,
    simulate_pair,
    steered_pair,
)

PAIRS_OF_A_KIND = 30


def compared(pair: Pair) -> Comparison:
    return compare_recordings(pair.meter, pair.reference)


def kinds(result: Comparison) -> list[str]:
    return [warning.kind for warning in result.warnings]


def steady(rng: np.random.Generator, sd: float, truth: Truth) -> Pair:
    """A ride around 200 W whose power hardly varies."""
    n = 2800 * 4
    power = 200 * np.exp(autoregressive(rng, n, 240, sd) + autoregressive(rng, n, 4, 0.01))
    return pair_from_power(rng, power, np.full(n, 90.0), truth, mishaps=Mishaps())


@pytest.fixture(scope="module")
def pair() -> Pair:
    return simulate_pair(np.random.default_rng(20), Truth(), kind="outdoor")


@pytest.fixture(scope="module")
def found(pair: Pair) -> Comparison:
    return compared(pair)


@pytest.fixture(scope="module")
def simulated() -> list[dict[str, float]]:
    """Steps and outdoor rides with every mishap: errors, intervals, lags."""
    rows = []
    for kind in ("steps", "outdoor"):
        for seed in range(PAIRS_OF_A_KIND):
            made = random_pair(np.random.default_rng([31, seed]), kind)
            result, truth = compared(made), made.truth
            document = result.to_document()
            low, high = document["gain_ratio_interval90_pct"]  # type: ignore[misc]
            low_nm, high_nm = document["zero_offset_interval90_nm"]  # type: ignore[misc]
            assert result.gain_ratio_pct is not None
            assert result.zero_offset_nm is not None
            assert result.alignment.lag_s is not None
            rows.append(
                {
                    "error": result.gain_ratio_pct - truth.gain_pct,
                    "inside": low <= truth.gain_pct <= high,
                    "zero_inside": low_nm <= truth.zero_offset_nm <= high_nm,
                    "late": result.alignment.lag_s - truth.lag_s,
                    "smoothing": max(1.0, 2 * truth.reference.smoothing_s),
                    "void": result.void is not None,
                }
            )
    return rows


def test_the_gain_is_found_through_lag_zero_smoothing_and_mishaps(
    simulated: list[dict[str, float]],
) -> None:
    """Wanted of 300 pairs: median ≤ 0.12 %, 95 % ≤ 0.35 %; here with sampling noise allowed."""
    error = np.array([row["error"] for row in simulated])
    assert np.median(np.abs(error)) < 0.135
    assert np.quantile(np.abs(error), 0.95) < 0.42
    assert abs(error.mean()) < 3 * error.std() / np.sqrt(len(error))


def test_the_intervals_cover(simulated: list[dict[str, float]]) -> None:
    """Wanted of 300 pairs: 86 to 95 %; two standard errors of 60 pairs are 8 %."""
    assert 0.80 <= np.mean([row["inside"] for row in simulated]) <= 0.98
    assert 0.78 <= np.mean([row["zero_inside"] for row in simulated]) <= 0.98


def test_the_lag_is_found_within_the_smoothing(simulated: list[dict[str, float]]) -> None:
    assert all(-0.5 < row["late"] < row["smoothing"] for row in simulated)


def test_honest_pairs_are_not_void(simulated: list[dict[str, float]]) -> None:
    assert not any(row["void"] for row in simulated)


def test_the_document_is_the_contracts(found: Comparison) -> None:
    document = found.to_document()
    expected = {
        *("lag_s", "clock_drift_ppm", "overlap_s", "used_s", "excluded_s", "gain_ratio_pct"),
        *("gain_ratio_interval90_pct", "zero_offset_nm", "zero_offset_interval90_nm"),
        *("mean_difference_w", "limits_of_agreement_w", "by_power_band", "void", "warnings"),
    }
    assert expected <= set(document)
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert found.used_s + sum(found.excluded_s.values()) == found.overlap_s
    assert set(found.excluded_s) <= set(REASONS)


def test_bands_hold_all_the_used_seconds_and_agree(found: Comparison) -> None:
    for bands in (found.by_power_band, found.by_cadence_band, found.by_time):
        inside = 0
        for band in bands:
            low, high = band["gain_ratio_interval90_pct"]  # type: ignore[misc]
            inside += low - 0.3 < 1.5 < high + 0.3
        assert inside >= len(bands) - 1
        assert sum(int(str(band["used_s"])) for band in bands) > 0.9 * found.used_s


def test_the_aligned_traces_lie_on_each_other(found: Comparison, pair: Pair) -> None:
    frame = found.aligned
    assert frame.height == found.overlap_s
    assert frame["time"].dtype == pl.Datetime("us", "UTC")
    assert frame["time"][0].tzinfo is not None
    assert frame["used"].sum() == found.used_s
    assert frame["reason"].null_count() == found.used_s
    used = frame.filter("used")
    left = used["matched_meter_w"] - used["matched_reference_w"] * 1.015
    omega = used["cadence_rpm"] * 2 * np.pi / 60
    assert (left - 0.2 * omega).abs().median() < 4.0  # type: ignore[operator]


def test_the_zero_part_is_kept_out_of_the_gain() -> None:
    """The same ride with a zero offset of 0 and of 1.5 N·m: the same gain."""
    gains = []
    for zero in (0.0, 1.5):
        truth = replace(Truth(), zero_offset_nm=zero)
        made = compared(simulate_pair(np.random.default_rng(4), truth, kind="outdoor"))
        assert made.zero_offset_nm == pytest.approx(zero, abs=0.12)
        gains.append(made.gain_ratio_pct)
    assert gains[0] == pytest.approx(gains[1], abs=0.1)


def test_a_constant_number_of_watts_is_kept_out_of_the_gain(pair: Pair) -> None:
    drag = pl.when(pl.col("power_w") > 0).then(6.0).otherwise(0.0)
    made = compare_recordings(pair.meter.with_columns(pl.col("power_w") + drag), pair.reference)
    assert made.other_constant_w == pytest.approx(6, abs=2.5)
    assert made.gain_ratio_pct == pytest.approx(1.5, abs=0.35)
    assert "constant_part" in kinds(made)


def test_a_narrow_range_of_power_is_said_and_widens_the_interval() -> None:
    """By hand: 0.25 N·m at 90 rpm on 200 W is 1.18 %."""
    inside = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        truth = replace(Truth(), zero_offset_nm=float(rng.normal(0, 0.25)), lag_s=7.0)
        made = compared(steady(rng, 0.01, truth))
        assert made.u_gain_ratio_pct == pytest.approx(1.18, abs=0.35)
        assert "narrow_power" in kinds(made)
        assert "one_cadence" in kinds(made)
        low, high = made.interval90_pct() or [0.0, 0.0]
        inside += low <= truth.gain_pct <= high
    assert inside >= 9


def test_without_cadence_the_zero_offset_is_not_claimed(pair: Pair) -> None:
    made = compare_recordings(pair.meter.drop("cadence_rpm"), pair.reference.drop("cadence_rpm"))
    assert made.zero_offset_nm is None
    assert made.to_document()["zero_offset_interval90_nm"] is None
    assert made.constant_w == pytest.approx(0.2 * 85 * 2 * np.pi / 60, abs=1.5)
    assert made.gain_ratio_pct == pytest.approx(1.5, abs=3 * (made.u_gain_ratio_pct or 0))
    assert "no_cadence" in kinds(made)


def test_cadence_of_the_reference_serves(pair: Pair) -> None:
    made = compare_recordings(pair.meter.drop("cadence_rpm"), pair.reference)
    assert made.zero_offset_nm == pytest.approx(0.2, abs=0.12)


@pytest.mark.parametrize("side", ["meter", "reference"])
def test_either_side_may_be_the_smoother_one(side: str) -> None:
    smooth = Sensor(smoothing="boxcar", smoothing_s=6)
    truth = replace(Truth(), meter=Sensor(), reference=Sensor())
    truth = replace(truth, meter=smooth) if side == "meter" else replace(truth, reference=smooth)
    made = compared(simulate_pair(np.random.default_rng(9), truth, kind="outdoor"))
    smoothing: Any = made.to_document()["smoothing"]
    assert smoothing["smoother"] == side
    assert smoothing["seconds"] == pytest.approx(6, abs=1)
    assert made.gain_ratio_pct == pytest.approx(1.5, abs=0.5)


def test_noise_is_not_taken_for_smoothing() -> None:
    """Constant power with noise on both sides: neither is smoother."""
    rng = np.random.default_rng(1)
    bare = Bare(*(200 + rng.normal(0, 3, (2, 2400))), np.full(2400, 9.4))
    assert match(bare).side == "none"


def test_what_is_known_beside_a_hole_is_known_of_the_whole_trace() -> None:
    """By hand: 0.12 of the kernel lies before the start, and a hole hides its negative weight."""
    kernel = np.array([0.0, 0.0, -0.06, 0.3, 0.64, 0.12, 0.0, 0.0, 0.0])
    power, omega = np.full(30, 200.0), np.full(30, 9.0)
    power[2] = np.nan
    known, turning = smoothed(power, kernel), smoothed(omega, kernel)
    assert np.isfinite(turning[np.isfinite(known)]).all()
    assert turning[1:-1] == pytest.approx(9.0)


def test_two_traces_that_differ_by_rounding_alone_keep_a_variance() -> None:
    """The variance of the gain must not come out below zero: constant and equal powers."""
    n = 200
    for seed in (44, 98, 100, 113, 118, 120):
        residual = np.random.default_rng(seed).normal(0, 1e-14, n)
        made = fit_windows(
            Windows(
                at_s=np.arange(n) * 8.0,
                seconds=np.full(n, 8.0),
                meter_w=200 + residual,
                reference_w=np.full(n, 200.0),
                omega=np.full(n, 9.0),
                slope=np.zeros(n),
                change_w=np.zeros(n),
                unrest=np.zeros(n),
            ),
            constant=True,
        )
        assert 0 < made.u_gain < 0.05
        assert made.gain == pytest.approx(1, abs=1e-6)


def test_drop_outs_spikes_and_stuck_values_are_counted(pair: Pair) -> None:
    power = pair.meter["power_w"].to_numpy().copy()
    reference = pair.reference["power_w"].to_numpy()
    riding = [i for i in range(100, 2200) if reference[i - 5 : i + 60].min() > 90]
    at = riding[0]
    power[at : at + 20] = 0.0
    power[at + 30] += 900
    power[at + 40 : at + 55] = power[at + 40]
    broken = compare_recordings(
        pair.meter.with_columns(power_w=pl.Series(power)), pair.reference
    ).excluded_s
    assert broken["meter_dropout"] >= 18
    assert broken["spike"] >= 1
    assert broken["stuck"] >= 13


@pytest.mark.parametrize("kind", ["steps", "outdoor"])
@pytest.mark.parametrize("noise_w", [0.0, 0.5])
def test_a_trainer_steered_by_the_meter_proves_nothing(kind: str, noise_w: float) -> None:
    made = compared(steered_pair(np.random.default_rng(3), kind, noise_w=noise_w))
    assert made.void is not None
    assert made.void.kind == "follows_other"


def test_one_file_with_the_others_power_proves_nothing(pair: Pair) -> None:
    made = compare_recordings(pair.meter, pair.meter)
    assert made.void is not None
    assert made.void.kind == "same_numbers"
    assert made.gain_ratio_pct == pytest.approx(0, abs=1e-6)


def test_the_same_sensor_twice_proves_nothing(pair: Pair) -> None:
    made = compare_recordings(
        pair.meter, pair.reference, meter_serial="4711", reference_serial="4711"
    )
    assert made.void is not None
    assert made.void == Reason("same_sensor", serial="4711")


def test_a_rescaled_copy_is_doubted(pair: Pair) -> None:
    copy = pair.meter.with_columns((pl.col("power_w") * 1.02).round())
    made = compare_recordings(copy, pair.meter)
    assert made.gain_ratio_pct == pytest.approx(2, abs=0.05)
    assert "close_followers" in kinds(made)


def test_a_warm_up_is_said(pair: Pair) -> None:
    warm = 1 + 0.04 * np.exp(-np.arange(pair.meter.height) / 600)
    made = compare_recordings(pair.meter.with_columns(pl.col("power_w") * warm), pair.reference)
    assert "ratio_drifts" in kinds(made)


def test_two_different_rides_give_no_ratio() -> None:
    rng = np.random.default_rng(10)
    one, other = (simulate_pair(rng, Truth(), kind="outdoor") for _ in range(2))
    made = compare_recordings(one.meter, other.reference)
    assert made.gain_ratio_pct is None
    assert kinds(made)[0] == "not_one_ride"


@pytest.mark.parametrize("records", [1, 2, 40])
def test_too_little_riding_gives_no_ratio(pair: Pair, records: int) -> None:
    made = compare_recordings(pair.meter[600 : 600 + records], pair.reference)
    assert made.gain_ratio_pct is None
    assert kinds(made)[0] in ("too_little_steady", "not_one_ride")
    json.dumps(made.to_document(), allow_nan=False)


def test_seconds_instead_of_stamps(pair: Pair) -> None:
    start = pair.reference["time"][0]
    seconds = (pl.col("time") - start).dt.total_microseconds() / 1e6
    bare = pair.reference.with_columns(time=seconds)
    made = compare_recordings(pair.meter, bare)
    assert made.gain_ratio_pct == pytest.approx(1.5, abs=0.5)
    assert kinds(made)[0] == "clocks_undated"
    both = compare_recordings(pair.meter.with_columns(time=seconds), bare)
    assert both.gain_ratio_pct == pytest.approx(1.5, abs=0.5)
    assert both.aligned["time"].dtype == pl.Float64


def test_kilojoules_and_kilowatts_are_named(pair: Pair) -> None:
    work = pair.reference.with_columns(power_w=(pl.col("power_w").cum_sum() / 1000).round())
    with pytest.raises(CannotCompareError, match=r"reference's power_w only ever grows.*kilojoul"):
        compare_recordings(pair.meter, work)
    kilowatts = pair.meter.with_columns(pl.col("power_w") / 1000)
    with pytest.raises(CannotCompareError, match=r"meter's power_w averages 0\.\d+.*kilowatts"):
        compare_recordings(kilowatts, pair.reference)
    nothing = pair.meter.with_columns(power_w=pl.lit(0.0))
    with pytest.raises(CannotCompareError, match="no power above zero"):
        compare_recordings(nothing, pair.reference)


def test_no_overlap_is_its_own_error(pair: Pair) -> None:
    later = pair.reference.with_columns(pl.col("time") + pl.duration(days=3))
    with pytest.raises(NoOverlap):
        compare_recordings(pair.meter, later)


def test_order_and_repeats_of_records_do_not_matter(found: Comparison, pair: Pair) -> None:
    mixed = pl.concat([pair.meter, pair.meter[:200]]).sample(fraction=1, shuffle=True, seed=1)
    made = compare_recordings(mixed, pair.reference)
    assert made.gain_ratio_pct == found.gain_ratio_pct


def test_the_long_run_variance_sees_autocorrelation() -> None:
    """Theory: an AR(1) of φ = 0.6 has a long-run variance (1 + φ)/(1 − φ) = 4 times its own."""
    rng = np.random.default_rng(0)
    tau = -1 / np.log(0.6)
    ratios, white = [], []
    for _ in range(200):
        series = autoregressive(rng, 400, tau, 1.0)[:, None]
        ratios.append(long_run_variance(series)[0, 0] / 400)
        white.append(long_run_variance(rng.normal(0, 1, (400, 1)))[0, 0] / 400)
    assert np.mean(ratios) == pytest.approx(4.0, rel=0.15)
    assert np.mean(white) == pytest.approx(1.0, rel=0.1)


def test_stamps_in_another_zone_are_the_same_instants(found: Comparison, pair: Pair) -> None:
    moved = pair.meter.with_columns(pl.col("time").dt.convert_time_zone("Asia/Tokyo"))
    made = compare_recordings(moved, pair.reference)
    assert made.gain_ratio_pct == found.gain_ratio_pct
    assert made.aligned["time"][0].astimezone(UTC) == found.aligned["time"][0]
