"""Gravity: the ellipsoid's closed forms, and what is assumed where little is known."""

import math

import pytest

from models.metrology import local_gravity
from models.metrology.gravity import normal_gravity
from tests.models.truth import reference, rows


@pytest.mark.parametrize(
    ("key", "latitude", "altitude"),
    [
        ("wgs84_gamma_45", 45.0, 0.0),
        ("wgs84_gamma_e", 0.0, 0.0),
        ("wgs84_gamma_p", 90.0, 0.0),
        ("gamma_45_h1000", 45.0, 1000.0),
    ],
)
def test_normal_gravity_of_the_ellipsoid(key: str, latitude: float, altitude: float) -> None:
    """Source: NIMA TR8350.2, see tests/truth/bench_reference_values.csv."""
    (published,) = reference(key)
    assert normal_gravity(latitude, altitude) == pytest.approx(published, abs=1e-8)


def test_free_air_gradient() -> None:
    """Source: the standard free-air correction, −3.086e-6 per s²; second order is 1.2e-6 here."""
    (published,) = reference("gamma_45_h1000_linear")
    assert normal_gravity(45.0, 1000.0) == pytest.approx(published, abs=2e-6)


def test_textbook_places_agree_within_what_is_claimed() -> None:
    """Source: a textbook's table of g at places; 120 ppm, its rounding (51 ppm) included."""
    for row in rows("gravity_places.csv"):
        found = local_gravity(latitude_deg=float(row["lat_deg"]), altitude_m=float(row["alt_m"]))
        assert found.value_ms2 == pytest.approx(float(row["g_published"]), rel=121e-6)
        assert found.u_ms2 / found.value_ms2 > 49.99e-6


def test_north_at_sea_level_against_a_southern_mountain() -> None:
    """By hand: 60° at sea level to 28° at 1,800 m is 0.34 %."""
    ratio = normal_gravity(60.0) / normal_gravity(28.0, 1800.0)
    assert 100 * (ratio - 1) == pytest.approx(0.34, abs=0.005)


def test_nothing_known_is_standard_gravity_with_wide_limits() -> None:
    """Source: the documented default, 9.80665 ± 0.026, rectangular."""
    found = local_gravity()
    assert found.value_ms2 == 9.80665
    assert found.u_ms2 == pytest.approx(0.026 / math.sqrt(3))
    assert found.distribution == "rectangular"
    assert found.note is not None
    assert "9.80665" in str(found.note)


def test_what_is_given_wins() -> None:
    all_of_it = local_gravity(9.8112, place_ms2=9.79, latitude_deg=10.0, altitude_m=5.0)
    assert (all_of_it.value_ms2, all_of_it.source) == (9.8112, "given")
    assert local_gravity(place_ms2=9.79, latitude_deg=10.0).source == "place"


@pytest.mark.parametrize(
    ("typed", "half"), [(9.81, 0.005), (9.8112, 0.00005 * math.sqrt(3)), (9.8, 0.026)]
)
def test_a_typed_value_is_as_good_as_its_digits(typed: float, half: float) -> None:
    """Half a unit of the last digit, no worse than the default; at least 10 ppm."""
    least = 10e-6 * typed
    assert local_gravity(typed).u_ms2 == pytest.approx(max(half / math.sqrt(3), least), rel=0.01)


def test_altitude_left_out_is_said_and_costs() -> None:
    found = local_gravity(latitude_deg=47.0)
    assert found.u_ms2 > 1.5 * local_gravity(latitude_deg=47.0, altitude_m=500.0).u_ms2
    assert found.note is not None
