"""Corrected efforts: by hand, then coverage of the differences with a known truth."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from models.effort import Effort, answer

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
