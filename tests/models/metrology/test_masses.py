"""Masses: limits of error by class, and how well other masses are known."""

import math

import numpy as np
import pytest

from models.metrology import MassLimits, load_of
from models.metrology.masses import LIMIT_MG, class_limit_g
from models.wording import Reason
from tests.models.truth import rows


def test_every_limit_of_the_table() -> None:
    """Source: OIML R 111-1:2004, Table 1."""
    table = rows("oiml_r111_mpe.csv")
    assert len(table) == 6
    for row in table:
        for name in LIMIT_MG:
            limit_mg = 1000 * class_limit_g(float(row["nominal_kg"]), name)
            assert limit_mg == pytest.approx(float(row[f"{name}_mg"]), rel=1e-12)


def test_a_nominal_value_between_takes_the_looser_neighbour() -> None:
    """E2: 2 kg ± 3 mg is 1.5e-6, 5 kg ± 8 mg is 1.6e-6, so 4 kg takes 1.6e-6."""
    assert class_limit_g(4.0, "E2") == pytest.approx(6.4e-3)
    assert class_limit_g(20.023, "M3") == pytest.approx(10.0115)


@pytest.mark.parametrize("name", sorted(LIMIT_MG))
def test_between_two_nominal_values_never_tighter_than_the_line(name: str) -> None:
    table = {
        float(row["nominal_kg"]): float(row[f"{name}_mg"]) for row in rows("oiml_r111_mpe.csv")
    }
    masses = [1 + 0.1 * k for k in range(491)]
    lines = np.interp(masses, list(table), list(table.values()))
    limits = [1000 * class_limit_g(m, name) for m in masses]
    assert all(limit >= line - 1e-9 for limit, line in zip(limits, lines, strict=True))


def test_outside_the_table() -> None:
    """Below 1 kg the limit of 1 kg in full; above 50 kg in proportion."""
    assert class_limit_g(0.35, "M3") == class_limit_g(1.0, "M3") == 0.5
    assert class_limit_g(100.0, "M1") == pytest.approx(5.0)


def test_classes_of_heavy_weights_read_as_the_next_looser() -> None:
    assert class_limit_g(20.0, "M1-2") == class_limit_g(20.0, "M2")
    assert class_limit_g(20.0, "M2-3") == class_limit_g(20.0, "M3")


def test_what_is_stated_wins_over_the_source() -> None:
    stated = load_of(20.0, 0.0, limits=MassLimits(5.0, "M1", "stamped"))
    assert stated.u_mass_g == pytest.approx(5 / math.sqrt(3))
    classed = load_of(20.0, 0.0, limits=MassLimits(None, "M1", "stamped"))
    assert classed.u_mass_g == pytest.approx(1 / math.sqrt(3))


def test_nothing_stated_is_class_m3_and_said() -> None:
    load = load_of(20.0, 0.3, limits=MassLimits())
    assert load.u_mass_g == pytest.approx(10 / math.sqrt(3))
    assert load.u_hanger_g == pytest.approx(0.5 / math.sqrt(3))
    assert load.notes == (Reason("class_assumed", mass_class="M3"),)


def test_stamped_plates_are_good_to_two_percent() -> None:
    load = load_of(20.0, 0.5, limits=MassLimits(source="stamped"))
    assert load.u_mass_g == pytest.approx(400 / math.sqrt(3))
    assert load.u_hanger_g == pytest.approx(10 / math.sqrt(3))


def test_a_scale_adjusted_elsewhere_carries_gravity_once_more() -> None:
    """± 0.026 m/s² of 9.80665 as a relative error of the mass itself, beside the place's own."""
    load = load_of(20.0, 0.0, limits=MassLimits(source="weighed"))
    assert load.u_scale_gravity == pytest.approx(0.026 / 9.80665 / math.sqrt(3))
    assert load.u_mass_g == pytest.approx(20 / math.sqrt(3))


def test_a_class_that_does_not_exist_falls_back_and_says_so() -> None:
    load = load_of(20.0, 0.0, limits=MassLimits(mass_class="M9"))
    assert load.u_mass_g == pytest.approx(10 / math.sqrt(3))
    assert Reason("class_unknown", given="M9", mass_class="M3") in load.notes
