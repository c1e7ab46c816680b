"""The summary of a recording, on rides whose numbers are plain arithmetic."""

from datetime import timedelta

import numpy as np
import pytest

from ingest.readers import Recording, read_recording
from ingest.recordings.summaries import ride_numbers, summary_of
from tests.ingest.recordings import rides


def _csv(times: list[float], power: list[float], cadence: float = 90) -> Recording:
    rows = [f"{t},{p},{cadence}" for t, p in zip(times, power, strict=True)]
    return read_recording("\n".join(["time,power_w,cadence_rpm", *rows]).encode())


def test_a_steady_half_hour() -> None:
    """300 W for 1,800 s is 540 kJ."""
    found = ride_numbers(_csv(list(range(1800)), [300.0] * 1800))
    assert found["energy_kj"] == pytest.approx(540)
    assert found["mean_power_w"] == found["max_power_w"] == 300
    assert found["duration_s"] == 1799
    assert [found[f"best_{s}_s_w"] for s in (5, 60, 300, 1200)] == [300] * 4
    assert found["mean_cadence_rpm"] == 90


def test_best_efforts_are_means_over_the_seconds_they_name() -> None:
    """A minute at 600 W within 200 W: the best 5 min hold 60 s of it."""
    power = [200.0] * 1000 + [600.0] * 60 + [200.0] * 1000
    found = ride_numbers(_csv(list(range(2060)), power))
    assert found["best_60_s_w"] == 600
    assert found["best_300_s_w"] == pytest.approx((60 * 600 + 240 * 200) / 300)
    assert found["best_1200_s_w"] == pytest.approx((60 * 600 + 1140 * 200) / 1200)


def test_a_gap_adds_no_energy_and_counts_as_no_power() -> None:
    times = [*range(600), *range(1200, 1800)]
    found = ride_numbers(_csv(times, [300.0] * 1200))
    assert found["energy_kj"] == pytest.approx(0.3 * (1200 + 4))  # the last one stands for 5 s
    assert found["best_1200_s_w"] == pytest.approx(300 * (600 + 4) / 1200)


def test_samples_every_other_second_stand_for_two() -> None:
    found = ride_numbers(_csv(list(range(0, 1200, 2)), [250.0] * 600))
    assert found["energy_kj"] == pytest.approx(300)
    assert found["best_300_s_w"] == pytest.approx(250)


def test_a_ride_too_short_has_no_best() -> None:
    found = ride_numbers(_csv(list(range(50)), [200.0] * 50))
    assert found["best_5_s_w"] == 200
    assert found["best_60_s_w"] is None
    assert found["started_at"] is None


def test_a_recording_without_power_or_samples() -> None:
    empty = ride_numbers(_csv([1, 2], [float("nan")] * 2))
    assert empty["mean_power_w"] is empty["energy_kj"] is None
    assert empty["power_samples"] == 0
    assert empty["samples"] == 2


def test_the_trace_is_the_mean_of_each_half_minute_of_the_clock() -> None:
    start = rides.START + timedelta(seconds=10)
    ride = rides.ride(seconds=200, start=start)
    row = summary_of(read_recording(rides.fit_bytes(ride)))
    assert row["trace_started_at"] == rides.START
    means = [ride.power[:20].mean(), ride.power[20:50].mean()]
    assert row["trace_w"][:2] == pytest.approx(means)
    assert len(row["trace_w"]) == 7
    assert np.isfinite(row["trace_w"]).all()
