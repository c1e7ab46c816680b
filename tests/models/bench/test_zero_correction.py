"""Which zero belongs to which reading, by the documented rule; numbers by hand."""

from typing import Any

import pytest

from models.bench.measurement.readings import Reading
from models.bench.measurement.zero_correction import correct


def stage(*rows: Any) -> list[Reading]:
    """Rows (load, torque, arm, ring) at positions 0, 1, 2 …"""
    readings = []
    for k, (load, torque, *where) in enumerate(rows):
        arm, ring = (*where, None, None)[:2]
        readings.append(Reading("as_found", load, None, ring, arm, torque, None, float(k)))
    return readings


def zeros_used(readings: list[Reading]) -> list[float | None]:
    correct(readings)
    return [r.zero_nm for r in readings if r.load == "mass"]


def test_without_a_zero_nothing_is_set() -> None:
    rows = stage(("mass", 33.0), ("mass", 33.1))
    assert correct(rows) == [None, None]
    assert zeros_used(rows) == [None, None]


def test_zeros_on_one_side_are_averaged() -> None:
    rows = stage(("zero", 0.1), ("zero", 0.3), ("mass", 33.0), ("mass", 33.0))
    assert zeros_used(rows) == pytest.approx([0.2, 0.2])


def test_before_and_after_is_interpolated() -> None:
    """0.0 at 0 and 0.3 at 3: a third and two thirds of the way."""
    rows = stage(("zero", 0.0), ("mass", 33.0), ("mass", 33.0), ("zero", 0.3))
    assert zeros_used(rows) == pytest.approx([0.1, 0.2])
    found = correct(rows)
    assert found[0] is not None
    assert found[0].drift_nm == pytest.approx(0.3)
    assert sum(w for _, w in found[0].weights) == pytest.approx(1.0)


def test_two_zeros_in_a_row_count_as_one_in_their_middle() -> None:
    """0.1 and 0.3 at 0 and 1 (mean 0.2 at 0.5), 0.5 at 3: at 2 it is 0.2 + 0.3 · 1.5/2.5."""
    rows = stage(("zero", 0.1), ("zero", 0.3), ("mass", 33.0), ("zero", 0.5))
    assert zeros_used(rows) == pytest.approx([0.2 + 0.3 * 0.6])


def test_a_zero_between_readings_starts_a_new_stretch() -> None:
    rows = stage(("zero", 0.0), ("mass", 33.0), ("zero", 0.2), ("mass", 33.0), ("zero", 0.6))
    assert zeros_used(rows) == pytest.approx([0.1, 0.4])


def test_a_reading_after_the_last_zero_takes_the_mean() -> None:
    rows = stage(("zero", 0.0), ("mass", 33.0), ("zero", 0.2), ("mass", 33.0))
    assert zeros_used(rows) == pytest.approx([0.1, 0.1])


def test_zeros_of_the_readings_own_arm_and_ring_are_preferred() -> None:
    rows = stage(
        ("zero", 0.1, "left"),
        ("mass", 33.0, "left", "small"),
        ("zero", 0.5, "right"),
        ("mass", 33.0, "right", "small"),
        ("zero", 0.9, "right", "large"),
        ("mass", 33.0, "right", "large"),
    )
    assert zeros_used(rows) == pytest.approx([0.1, 0.5, 0.9])


def test_a_zero_that_names_nothing_serves_what_has_no_zero_of_its_own() -> None:
    rows = stage(
        ("zero", 0.2),
        ("zero", 0.6, "left"),
        ("mass", 33.0, "left"),
        ("mass", 33.0, "right"),
    )
    assert zeros_used(rows) == pytest.approx([0.6, 0.2])


def test_a_zero_of_the_other_arm_is_better_than_none() -> None:
    rows = stage(("zero", 0.4, "left"), ("mass", 33.0, "right"))
    assert zeros_used(rows) == pytest.approx([0.4])
