"""What written digits say."""

import pytest

from models.metrology import display_step
from models.metrology.resolution import decimals, half_last_digit


@pytest.mark.parametrize(
    ("value", "expected"), [(9.81, 2), (20.0, 0), (33.9, 1), (1e-7, 6), (0.1234567, 6), (1e20, 0)]
)
def test_decimals(value: float, expected: int) -> None:
    assert decimals(value) == expected


def test_half_of_the_last_digit() -> None:
    assert half_last_digit(9.81) == pytest.approx(0.005)


def test_step_of_a_display() -> None:
    assert display_step([33.9, 34.21, 33.0]) == pytest.approx(0.01)
    assert display_step([34.0, 33.0]) == 1.0
    assert display_step([]) == 0.0
    assert display_step([33.91234567]) == 0.0


def test_a_coarser_step_needs_many_readings() -> None:
    readings = [33.95, 34.20, 33.60, 33.65, 0.05, 34.1, 33.85, 33.9]
    assert display_step(readings) == pytest.approx(0.05)
    assert display_step(readings[:4]) == pytest.approx(0.01)


def test_decimals_that_few_readings_have_are_slips():
    """One mean of two worked out by hand among ten readings is not what the display shows."""
    assert display_step([33.1, 33.2, 33.3, 33.4, 33.6, 33.7, 33.8, 33.9, 34.1, 33.325]) == 0.1


def test_zeros_typed_at_the_end_count():
    assert display_step([34.0, 33.0], [1, 1]) == pytest.approx(0.1)
