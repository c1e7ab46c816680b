"""Corrected efforts: by hand, then coverage of the differences with a known truth."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import polars as pl
import pytest

from models.coaching import Carry, Effort, answer, carried, open_days

DAY = datetime(2026, 3, 14, 12, tzinfo=UTC)


def test_one_meter_that_reads_two_percent_high() -> None:
    """By hand: 306 W shown by a meter 2 % high are 300 W."""
    document = answer([Effort(DAY, "K07", 306.0)], np.array([100 * np.log(1.02)]), np.zeros((1, 1)))
    assert document["efforts"][0]["corrected_w"] == pytest.approx(300.0)
    assert document["efforts"][0]["interval90_w"] == pytest.approx([300.0, 300.0])


def test_a_shared_error_leaves_the_difference_sharp() -> None:
    """The same meter on two dates: its error is unknown by 2 %, its change is not."""
    efforts = [Effort(DAY, "K07", 300.0), Effort(DAY, "K07", 310.0)]
    document = answer(efforts, np.zeros(2), np.full((2, 2), 4.0))
    difference = document["differences"][0]
    low, high = difference["interval90_w"]
    assert high - low == pytest.approx(2 * 1.6449 * 2 * 0.1, rel=1e-3)  # 2 % of the 10 W
    assert difference["p_increase"] > 0.999
    assert "real gain" in difference["text"]


def test_a_gain_that_is_the_meters() -> None:
    efforts = [Effort(DAY, "K07", 300.0), Effort(DAY, "K11", 306.0)]
    document = answer(efforts, np.array([0.0, 100 * np.log(1.02)]), np.eye(2))
    difference = document["differences"][0]
    assert difference["corrected_w"] == pytest.approx(0.0, abs=1e-9)
    assert difference["meter_part_w"] == pytest.approx(6.0)
    assert difference["p_increase"] == pytest.approx(0.5)


def test_intervals_of_differences_cover_nine_in_ten() -> None:
    """Simulation with known truth: errors drawn from the joint distribution, 4,000 pairs."""
    rng = np.random.default_rng(5)
    covariance = np.array([[1.0, 0.6], [0.6, 1.4]])
    root = np.linalg.cholesky(covariance)
    inside = 0
    for _ in range(4000):
        error = root @ rng.standard_normal(2)
        true = rng.uniform(200, 400, 2)
        shown = true * np.exp(error / 100)
        efforts = [Effort(DAY, m, float(w)) for m, w in zip("AB", shown, strict=True)]
        low, high = answer(efforts, np.zeros(2), covariance)["differences"][0]["interval90_w"]
        inside += low <= true[1] - true[0] <= high
    assert inside / 4000 == pytest.approx(0.90, abs=0.015)


def test_meters_that_move_alike_mean_the_rider() -> None:
    watts = {"K07": (300.0, 320.0), "K11": (290.0, 312.0)}
    efforts = [Effort(DAY, name, w) for name, both in watts.items() for w in both]
    document = answer(efforts, np.zeros(4), 0.1 * np.eye(4))
    assert document["text"] == "On K07, K11 alike the watts rose: that is the rider, not a meter."
    efforts[3] = Effort(DAY, "K11", 280.0)
    assert "do not move alike" in answer(efforts, np.zeros(4), 0.1 * np.eye(4))["text"]
    assert answer(efforts[:2], np.zeros(2), np.eye(2))["text"] is None


def test_a_threshold_carried_by_hand() -> None:
    """300 W on a meter 1 % high are 294.06 W on one 1 % low; independent, u 0.3 % and 0.4 %."""
    error = 100 * np.log([1.01, 0.99])
    [row] = carried(
        [Effort(DAY, "K07", 300.0)], [Carry("K11", DAY.date())], error, np.diag([0.09, 0.16])
    )
    assert row["shown_w"] == pytest.approx(300 * 0.99 / 1.01)
    low, high = row["interval90_w"]
    assert np.log(high / low) == pytest.approx(2 * 1.6449 * 0.005, rel=1e-3)
    assert row["text"] == "300 W on K07 (2026-03-14) are 294 W on K11 on 2026-03-14 (292 to 296)."


def test_a_zero_offset_adds_watts_whatever_is_ridden() -> None:
    """By hand: 0.25 N·m at 60 rpm is 1.571 W."""
    known = np.zeros(1), np.zeros((1, 1))
    for watts in (150.0, 400.0):
        document = answer([Effort(DAY, "K07", watts, zeroed=False, cadence_rpm=60.0)], *known)
        low, high = document["efforts"][0]["interval90_w"]
        assert high - low == pytest.approx(2 * 1.6449 * np.pi / 2, rel=2e-3)


def test_efforts_that_a_step_may_lie_before_or_after_are_named() -> None:
    steps = pl.DataFrame(
        {"meter_id": ["m1"], "earliest": [date(2026, 2, 25)], "latest": [date(2026, 7, 1)]}
    )
    on = [date(2026, 2, 20), date(2026, 4, 20), date(2026, 7, 1)]
    efforts = [Effort(datetime(d.year, d.month, d.day, 12, tzinfo=UTC), "m1", 300) for d in on]
    other = Effort(datetime(2026, 4, 20, 12, tzinfo=UTC), "m2", 300)
    [told] = open_days([*efforts, other], steps)
    assert "m1 stepped on a day between 2026-02-25 and 2026-07-01" in told
    assert "Whether it had by 2026-04-20 is open" in told
    assert open_days([efforts[0], efforts[2], other], steps) == []
