"""The clock of a recording: out of step, set back, set forth, doubled, or without a date."""

import numpy as np
import pytest

from ingest.readers.recordings.frame import Cleaned, Samples, clean

T = 1_780_000_000.0


def _clean(
    seconds: list[float], power: list[float] | None = None, *, dated: bool = True
) -> Cleaned:
    watts = np.array(power if power is not None else [200.0 + i for i in range(len(seconds))])
    return clean(Samples(np.array(seconds, dtype=float), {"power_w": watts}, dated))


def _seconds(cleaned: Cleaned) -> list[float]:
    return [at.timestamp() - T for at in cleaned.frame["time"].to_list()]


def test_a_clean_clock_is_left_as_it_is() -> None:
    cleaned = _clean([T, T + 1, T + 2, T + 60])
    assert _seconds(cleaned) == [0, 1, 2, 60]
    assert cleaned.notices == cleaned.faults == []


def test_fractions_of_a_second_are_kept() -> None:
    assert _seconds(_clean([T + 0.25, T + 0.5])) == [0.25, 0.5]


@pytest.mark.parametrize("jump", [-500.0, 500.0, 1e6, -1e9, 1e9])
def test_a_single_record_out_of_step_is_left_out(jump: float) -> None:
    times = [T + i for i in range(20)]
    times[7] += jump
    cleaned = _clean(times)
    assert _seconds(cleaned) == [i for i in range(20) if i != 7]
    assert len(cleaned.faults) == 1
    assert cleaned.faults[0].startswith("1 records")


def test_a_clock_that_was_set_back_keeps_the_longer_stretch() -> None:
    early = [T + 100 + i for i in range(10)]
    cleaned = _clean(early + [T + 90 + i for i in range(50)])
    assert _seconds(cleaned) == [90 + i for i in range(50)]
    assert "10 records" in cleaned.notices[0]


def test_a_clock_set_forth_by_years_keeps_the_longer_stretch() -> None:
    """A head unit that started with an old date and then found the satellites."""
    cleaned = _clean([T - 5e8 + i for i in range(5)] + [T + i for i in range(50)])
    assert _seconds(cleaned) == list(range(50))
    assert "5 records" in cleaned.notices[0]


def test_stretches_that_do_not_contradict_are_put_in_order() -> None:
    cleaned = _clean([T + 100 + i for i in range(5)] + [T + i for i in range(50)])
    assert _seconds(cleaned) == [*range(50), *range(100, 105)]


def test_a_pause_of_hours_is_no_fault() -> None:
    cleaned = _clean([T, T + 1, T + 20_000, T + 20_001])
    assert cleaned.frame.height == 4
    assert cleaned.faults == []


def test_records_of_one_instant_are_joined_and_the_later_value_wins() -> None:
    cleaned = _clean([T, T, T + 1], [200.0, np.nan, 210.0])
    assert cleaned.frame["power_w"].to_list() == [200, 210]
    cleaned = _clean([T, T, T + 1], [200.0, 205.0, 210.0])
    assert cleaned.frame["power_w"].to_list() == [205, 210]
    assert "1 records had the time of another" in cleaned.notices[0]


def test_times_that_cannot_be_are_left_out() -> None:
    cleaned = _clean([np.nan, 0.0, T, T + 1, 9e9])
    assert _seconds(cleaned) == [0, 1]
    assert "3 records without a possible time" in cleaned.faults[0]


def test_seconds_without_dates_may_start_anywhere() -> None:
    cleaned = _clean([-5.0, 0.0, 5.0], dated=False)
    assert cleaned.frame["time"].to_list() == [-5, 0, 5]


def test_a_clock_that_runs_backwards_ends_soon() -> None:
    """Every record a stretch of its own: the work stays bounded, something is kept."""
    cleaned = _clean([T - 10 * i for i in range(20_000)])
    assert 0 < cleaned.frame.height <= 200
    assert cleaned.frame["time"].is_sorted()


def test_nothing_gives_an_empty_frame() -> None:
    assert _clean([]).frame.is_empty()
    assert _clean([np.nan]).frame.is_empty()
