"""Lag and clock drift of simulated pairs whose clocks are known."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.rides.alignment.clock_line import clock_line
from models.rides.alignment.clocks import Alignment, align
from models.rides.alignment.resampling import CannotCompareError, NoOverlap, resample
from tests.simulate.rides import (
    Mishaps,
    Pair,
    Sensor,
    Truth,
    autoregressive,
    pair_from_power,
    random_mishaps,
    simulate_pair,
)

SHARP = Sensor(white_pct=0.8)


def aligned(pair: Pair) -> Alignment:
    return align(resample(pair.meter, name="meter"), resample(pair.reference, name="reference"))


@pytest.mark.parametrize("kind", ["steps", "outdoor"])
@pytest.mark.parametrize("lag_s", [-540.0, -87.3, 0.4, 61.0, 580.0])
def test_the_lag_is_found_among_mishaps(kind: str, lag_s: float) -> None:
    """Up to ten minutes, a late start, gaps, drop-outs, spikes; to well under a second."""
    rng = np.random.default_rng(abs(int(lag_s)))
    mishaps = replace(random_mishaps(rng), late_start_s=240.0)
    truth = Truth(lag_s=0.0, reference=SHARP)
    pair = simulate_pair(rng, truth, kind=kind, mishaps=mishaps)
    moved = pair.reference.with_columns(pl.col("time") + pl.duration(milliseconds=1000 * lag_s))
    found = aligned(Pair(pair.meter, moved, truth))
    assert found.certain
    assert found.lag_s == pytest.approx(lag_s, abs=0.3)


def test_a_smoothed_reference_is_late_by_no_more_than_its_smoothing() -> None:
    rng = np.random.default_rng(2)
    smooth = Sensor(white_pct=0.8, smoothing="boxcar", smoothing_s=8)
    found = aligned(simulate_pair(rng, Truth(lag_s=-40.0, reference=smooth), kind="outdoor"))
    assert found.lag_s is not None
    assert 0 <= found.lag_s + 40 <= 8


@pytest.mark.parametrize("ppm", [-150.0, 80.0, 300.0])
def test_clock_drift_over_three_hours(ppm: float) -> None:
    rng = np.random.default_rng(7)
    truth = Truth(clock_drift_ppm=ppm, reference=SHARP)
    found = aligned(simulate_pair(rng, truth, kind="outdoor", minutes=180))
    assert found.clock_drift_ppm == pytest.approx(ppm, abs=12)


def test_constant_power_cannot_be_aligned_and_says_so() -> None:
    rng = np.random.default_rng(3)
    n = 2400 * 4
    pair = pair_from_power(rng, np.full(n, 200.0), np.full(n, 90.0), Truth(), mishaps=Mishaps())
    found = aligned(pair)
    assert found.lag_s is None
    assert not found.certain
    assert [note.kind for note in found.notes] == ["lag_untold"]


def test_two_different_rides_are_not_aligned() -> None:
    lags = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        one, other = (simulate_pair(rng, Truth(), kind="outdoor") for _ in range(2))
        lags.append(aligned(Pair(one.meter, other.reference, Truth())).lag_s)
    assert sum(lag is None for lag in lags) >= 11


def test_equal_intervals_are_told_apart_by_the_rider_or_called_uncertain() -> None:
    """One minute on, one off: the right lag, or a warning that names the rival."""
    for seed in range(6):
        rng = np.random.default_rng(seed)
        n = 2800 * 4
        block = np.where((np.arange(n) // (4 * 60)) % 2 == 0, 150.0, 300.0)
        power = block * np.exp(autoregressive(rng, n, 30, 0.03) + autoregressive(rng, n, 4, 0.03))
        pair = pair_from_power(
            rng, power, np.full(n, 90.0), Truth(lag_s=20.0, reference=SHARP), mishaps=Mishaps()
        )
        found = aligned(pair)
        assert found.lag_s is not None
        assert abs(found.lag_s - 20) < 1 or found.notes[0].kind == "lag_uncertain"


def test_a_clock_in_another_time_zone_is_seen() -> None:
    pair = simulate_pair(np.random.default_rng(5), Truth(lag_s=4.0), kind="outdoor", minutes=150)
    moved = pair.reference.with_columns(pl.col("time") + pl.duration(hours=1))
    found = aligned(Pair(pair.meter, moved, pair.truth))
    assert found.lag_s == pytest.approx(3605, abs=1.5)
    assert found.notes[0].kind == "other_time_zone"


def test_a_clock_that_jumps_costs_one_part_of_the_ride() -> None:
    pair = simulate_pair(
        np.random.default_rng(6), Truth(lag_s=5.0, reference=SHARP), kind="outdoor", minutes=120
    )
    late = pl.col("time").is_between(pair.reference["time"][5400], pair.reference["time"][-1])
    jumped = pl.col("time") + pl.when(late).then(pl.duration(seconds=40)).otherwise(
        pl.duration(seconds=0)
    )
    found = aligned(Pair(pair.meter, pair.reference.with_columns(time=jumped), pair.truth))
    assert found.lag_s == pytest.approx(5, abs=0.5)
    lost = sum(end - start for start, end in found.doubtful)
    assert 1000 < lost < 2400
    assert found.notes[0].kind == "lag_changes"


def test_no_overlap_is_said_with_the_remedy() -> None:
    pair = simulate_pair(np.random.default_rng(8), Truth(), kind="outdoor")
    later = pair.reference.with_columns(pl.col("time") + pl.duration(hours=2))
    with pytest.raises(NoOverlap, match="do not overlap: the meter's ends 80 min before"):
        aligned(Pair(pair.meter, later, pair.truth))
    with pytest.raises(NoOverlap, match="Moved by 2 h they would"):
        aligned(Pair(pair.meter, later, pair.truth))


def test_a_line_through_the_lags_follows_the_greater_part() -> None:
    """By hand: six stretches on one lag, three on another; or all on a slope of 100 ppm."""
    at = np.linspace(-2000.0, 2000.0, 9)
    ones = np.ones(9)
    jumped = np.where(at < 900, 1.0, 30.0)
    level, slope = clock_line(at, jumped, ones, near=2.5)
    assert (level, slope) == pytest.approx((1.0, 0.0), abs=1e-9)
    level, slope = clock_line(at * 5, 1e-4 * at * 5, ones, near=2.5)
    assert level == pytest.approx(0.0, abs=1e-9)
    # the prior of 60 ppm weighs (0.3 s / 60e-6)² = 2.5e7 against a spread of 3.75e8 s²
    assert slope == pytest.approx(1e-4 * 3.75 / 4, rel=1e-9)


def test_tracks_take_any_order_and_rate() -> None:
    time = pl.Series("time", [3.0, 0.0, 1.0, 2.0, 2.0, 9.0, 10.0])
    frame = pl.DataFrame({"time": time, "power_w": [130.0, 100, 110, 1, 120, 190, 200]})
    made = resample(frame, name="meter")
    assert made.power_w[:4].tolist() == [100, 110, 120, 130]
    assert np.isnan(made.power_w[4:9]).all()
    assert made.power_w[9:].tolist() == [190, 200]
    assert not made.has_cadence
    fast = pl.DataFrame({"time": np.arange(40) / 4, "power_w": np.repeat(np.arange(10.0), 4)})
    assert resample(fast, name="meter").power_w == pytest.approx(np.arange(10.0))


def test_a_damaged_clock_is_refused() -> None:
    frame = pl.DataFrame({"time": [0.0, 1.0, 1e9], "power_w": [200.0, 200.0, 200.0]})
    with pytest.raises(CannotCompareError, match="meter's recording spans more than 40 days"):
        resample(frame, name="meter")
