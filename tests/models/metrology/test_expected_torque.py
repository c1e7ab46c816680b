"""Expected torque and accept limits."""

import pytest

from models.metrology import Drive, accept_limits_nm, expected_torque_nm


def test_worked_example_of_common_practice() -> None:
    """Common practice, no source: 20.023 kg, 9.81 m/s², 170 mm → 33.392, with buoyancy 33.387."""
    bare = expected_torque_nm(20.023, 170.0, gravity_ms2=9.81, air_kg_m3=0.0)
    assert bare == pytest.approx(33.392, abs=5e-4)
    assert expected_torque_nm(20.023, 170.0, gravity_ms2=9.81) == pytest.approx(33.387, abs=5e-4)


@pytest.mark.parametrize(("angle", "change"), [(5.0, -0.38), (8.0, -0.97), (-8.0, -0.97)])
def test_crank_off_level(angle: float, change: float) -> None:
    """By hand: cos 5° = 1 − 0.38 %, cos 8° = 1 − 0.97 %."""
    level = expected_torque_nm(20.0, 172.5, gravity_ms2=9.81)
    tilted = expected_torque_nm(20.0, 172.5, gravity_ms2=9.81, angle_deg=angle)
    assert 100 * (tilted / level - 1) == pytest.approx(change, abs=0.005)


def test_through_the_chain() -> None:
    """By hand: 11 on 44 teeth turns a quarter of the torque, 2 % of it lost."""
    crank = expected_torque_nm(20.0, 172.5, gravity_ms2=9.81)
    hub = expected_torque_nm(20.0, 172.5, gravity_ms2=9.81, drive=Drive(11, 44, 0.02))
    assert hub == pytest.approx(crank * 0.25 * 0.98)


def test_accept_limits() -> None:
    """The limits of the worked example at 1.5 %: 32.9 to 33.9."""
    low, high = accept_limits_nm(33.387, 1.5)
    assert (round(low, 1), round(high, 1)) == (32.9, 33.9)
    shifted = accept_limits_nm(33.387, 1.5, zero_nm=0.4)
    assert shifted == pytest.approx((low + 0.4, high + 0.4))
    assert accept_limits_nm(30.0, 1.5, guard_band_pct=0.5) == pytest.approx((29.7, 30.3))
    assert accept_limits_nm(30.0, 1.0, guard_band_pct=2.0) == (30.0, 30.0)
