"""Corrected efforts: by hand, then coverage of the differences with a known truth."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.coaching import Carry, Days, Effort, answer, carried, day_parts, open_days
from models.coaching.effort_days import repeat_from
from models.coaching.unzeroed import U_ZEROED_NM, unzeroed_nm

DAY = datetime(2026, 3, 14, 12, tzinfo=UTC)


def test_one_meter_that_reads_two_percent_high() -> None:
    """By hand: 306 W shown by a meter 2 % high are 300 W."""
    document = answer(
        [Effort(DAY, "K07", 306.0)], (np.array([100 * np.log(1.02)]), np.zeros((1, 1)))
    )
    assert document["efforts"][0]["corrected_w"] == pytest.approx(300.0)
    assert document["efforts"][0]["interval90_w"] == pytest.approx([300.0, 300.0])


def test_a_shared_error_leaves_the_difference_sharp() -> None:
    """The same meter on two dates: its error is unknown by 2 %, its change is not."""
    efforts = [Effort(DAY, "K07", 300.0), Effort(DAY, "K07", 310.0)]
    document = answer(efforts, (np.zeros(2), np.full((2, 2), 4.0)))
    difference = document["differences"][0]
    low, high = difference["interval90_w"]
    assert high - low == pytest.approx(2 * 1.6449 * 2 * 0.1, rel=1e-3)  # 2 % of the 10 W
    assert difference["p_increase"] > 0.999
    assert "real gain" in difference["text"]


def test_a_gain_that_is_the_meters() -> None:
    efforts = [Effort(DAY, "K07", 300.0), Effort(DAY, "K11", 306.0)]
    document = answer(efforts, (np.array([0.0, 100 * np.log(1.02)]), np.eye(2)))
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
        low, high = answer(efforts, (np.zeros(2), covariance))["differences"][0]["interval90_w"]
        inside += low <= true[1] - true[0] <= high
    assert inside / 4000 == pytest.approx(0.90, abs=0.015)


def test_meters_that_move_alike_mean_the_rider() -> None:
    watts = {"K07": (300.0, 320.0), "K11": (290.0, 312.0)}
    efforts = [Effort(DAY, name, w) for name, both in watts.items() for w in both]
    document = answer(efforts, (np.zeros(4), 0.1 * np.eye(4)))
    assert document["text"] == "On K07, K11 alike the watts rose: that is the rider, not a meter."
    efforts[3] = Effort(DAY, "K11", 280.0)
    assert "do not move alike" in answer(efforts, (np.zeros(4), 0.1 * np.eye(4)))["text"]
    assert answer(efforts[:2], (np.zeros(2), np.eye(2)))["text"] is None


def test_a_threshold_carried_by_hand() -> None:
    """300 W on a meter 1 % high are 294.06 W on one 1 % low; independent, u 0.3 % and 0.4 %."""
    error = 100 * np.log([1.01, 0.99])
    [row] = carried(
        [Effort(DAY, "K07", 300.0)], [Carry("K11", DAY.date())], (error, np.diag([0.09, 0.16]))
    )
    assert row["shown_w"] == pytest.approx(300 * 0.99 / 1.01)
    low, high = row["interval90_w"]
    assert np.log(high / low) == pytest.approx(2 * 1.6449 * 0.005, rel=1e-3)
    assert row["text"] == "300 W on K07 (2026-03-14) are 294 W on K11 on 2026-03-14 (292 to 296)."


NO_DAYS = Days(repeat={}, warmth={})


def u_watts(*efforts: Effort, days: Days = NO_DAYS) -> np.ndarray:
    """Covariance of what the days add, in watts squared."""
    watts = np.array([effort.watts for effort in efforts]) / 100
    return day_parts(efforts, days)[1] * np.outer(watts, watts)


def test_a_zero_offset_adds_watts_whatever_is_ridden() -> None:
    """By hand: 0.25 N·m at 60 rpm is 1.571 W, a whole watt is known to 1/√12 of one."""
    for watts in (150.0, 400.0):
        [[u2]] = u_watts(Effort(DAY, "K07", watts, zeroed=False, cadence_rpm=60.0))
        assert u2 == pytest.approx((0.25 * 2 * np.pi) ** 2 + 1 / 12)


def test_a_zero_that_nothing_is_said_of_counts_as_not_set() -> None:
    unsaid, no, yes = (u_watts(Effort(DAY, "K07", 300.0, zeroed=z)) for z in (None, False, True))
    assert unsaid == no > yes
    assert u_watts(Effort(DAY, "T1", 300.0, has_zero=False)) == pytest.approx(1 / 12)
    assert u_watts(Effort(DAY, "T1", 300.4, has_zero=False)) == pytest.approx(0.01 / 12)


ZEROS = {"meter_id": pl.String, "measured_at": pl.Datetime("us", "UTC"), "zero_nm": pl.Float64}


def test_a_zero_not_set_lies_as_far_off_as_the_teams_zeros_move() -> None:
    """Simulated meters of two kinds, 40 readings each; one without readings has its kind's, and a
    kind without any the mean of what is usual and of the other kinds."""
    rng = np.random.default_rng(5)
    true = {"a1": 0.05, "a2": 0.05, "a3": 0.05, "b1": 0.4, "b2": 0.4}
    rows = [
        (name, DAY + timedelta(days=20 * k), float(sd / np.sqrt(2) * rng.normal()))
        for name, sd in true.items()
        for k in range(40)
    ]
    rows.append(("a1", DAY + timedelta(days=2000), 5.0))  # years later: between no two rides
    zeros = pl.DataFrame(rows, schema=ZEROS, orient="row")
    names = [*true, "a4", "c1"]
    meters = pl.DataFrame({"meter_id": names, "kind": [name[0] for name in names]})
    found = unzeroed_nm(zeros, meters)
    assert found["c1"] == pytest.approx(np.sqrt((0.25**2 + 0.05**2 + 0.4**2) / 3), rel=0.15)
    usual2 = {"a": (0.25**2 + 0.4**2) / 2, "b": (0.25**2 + 0.05**2) / 2}
    for name, sd in (true | {"a4": 0.05}).items():
        # what is usual counts for ten differences, the kind's for twenty of a meter's 39
        n = 39 * (3 if name[0] == "a" else 2)
        of_kind2 = (n * sd**2 + 10 * usual2[name[0]]) / (n + 10)
        own = 0 if name == "a4" else 39
        expected = np.sqrt((own * sd**2 + 20 * of_kind2) / (own + 20))
        assert found[name] == pytest.approx(expected, rel=0.25)
    assert unzeroed_nm(zeros.clear(), meters) == {}


def test_never_narrower_than_a_meter_that_was_zeroed() -> None:
    still = [("a", DAY + timedelta(days=k), 0.1) for k in range(3000)]
    meters = pl.DataFrame({"meter_id": ["a"], "kind": ["a"]})
    found = unzeroed_nm(pl.DataFrame(still, schema=ZEROS, orient="row"), meters)
    assert found["a"] == U_ZEROED_NM


def test_a_rides_own_day_comes_on_top_of_each_device() -> None:
    """By hand: 0.3 % from day to day, and (0.03 % a degree ± 0.04) over 10 degrees."""
    days = Days(repeat={"a": 0.3}, warmth={"a": (0.03, 0.04)}, spread_celsius=10.0)
    mean, covariance = days.on_rides(["a", "b"], (np.ones(2), np.full((2, 2), 0.5)))
    assert mean.tolist() == [1.0, 1.0]
    assert covariance == pytest.approx(np.array([[0.5 + 0.09 + 0.25, 0.5], [0.5, 0.5]]))


def test_days_differ_by_repeatability_and_by_temperature() -> None:
    """By hand: 0.3 % from day to day; 0.02 % a degree, 7 °C about the stated 20."""
    days = Days(repeat={"T1": 0.3}, warmth={"T1": (0.0, 0.02)})
    unknown = Effort(DAY, "T1", 300.5, has_zero=False)
    warm, cold = (Effort(DAY, "T1", 300.5, has_zero=False, celsius=c) for c in (30.0, 10.0))
    rounding = (100 * 0.1 / np.sqrt(12) / 300.5) ** 2
    covariance = day_parts([unknown, warm, cold], days)[1]
    assert covariance[0, 0] == pytest.approx(0.3**2 + (0.02 * 7) ** 2 + rounding)
    assert covariance[1, 1] == pytest.approx(0.3**2 + 0.2**2 + rounding)
    assert covariance[1, 2] == pytest.approx(-(0.2**2))  # one coefficient, ten degrees each way
    known = Days(repeat={}, warmth={"T1": (0.05, 0.0)})
    assert day_parts([warm, cold, unknown], known)[0] == pytest.approx([0.5, -0.5, 0.0])


def test_what_meters_repeat_to_is_usual_unless_rides_tell() -> None:
    """By hand: 0.25 ± 0.06 is usual, a variance of 0.0625 ± 0.03; rides of ± 0.5 % know theirs to
    0.05, rides of ± 0.05 % to 0.0005."""
    half = np.full(9, 0.5)
    usual = (0.0625 / 0.03**2 + 0.16**2 / 0.05**2) / (1 / 0.03**2 + 1 / 0.05**2)
    assert repeat_from(0.16, half) == pytest.approx(np.sqrt(usual))
    assert repeat_from(0.0, half) > 0.2  # nothing beyond a generous uncertainty is no proof
    assert repeat_from(0.6, half / 10) == pytest.approx(0.6, abs=0.001)


def test_what_meters_repeat_to_is_not_taken_too_small() -> None:
    """Simulated fleets whose rides state 10 % too much or too little, 300 rides each: bias."""
    rng = np.random.default_rng(3)
    found, true = [], []
    for _ in range(300):
        day, stated = abs(rng.normal(0.25, 0.06)), rng.uniform(0.2, 0.6)
        real = stated * rng.normal(1.0, 0.1)
        rides = rng.normal(0, np.hypot(real, day), 300)
        beyond = np.sqrt(max(float(np.mean(rides**2)) - stated**2, 0.0))
        found.append(repeat_from(beyond, np.full(300, stated)) ** 2)
        true.append(day**2)
    assert np.mean(found) == pytest.approx(np.mean(true), rel=0.08)


def test_no_claim_below_a_whole_watt() -> None:
    efforts = [Effort(DAY, "K07", 300.0), Effort(DAY, "K07", 300.0)]
    [row] = answer(efforts, (np.array([0.2, 0.0]), np.zeros((2, 2))))["differences"]
    assert row["rider_p_increase"] == 1.0  # as sure as numbers can be, and yet
    assert row["text"].startswith("No change that watts shown to 1 W can tell")


def test_the_riders_part_says_whether_a_gain_is_real() -> None:
    """A left leg that grew stronger alone: the sensor's watts rose, the rider's did not."""
    efforts = [Effort(DAY, "L1", 300.0), Effort(DAY, "L1", 309.0)]
    sensor = np.zeros(2), 0.01 * np.eye(2)
    rider = np.array([0.0, 100 * np.log(1.03)]), 0.5 * np.eye(2)
    document = answer(efforts, sensor, rider)
    [row] = document["differences"]
    assert (row["corrected_w"], row["p_increase"] > 0.99) == (9.0, True)
    assert row["rider_w"] == pytest.approx(0.0, abs=1e-9)
    assert row["road_part_w"] == pytest.approx(9.0)
    assert not row["text"].startswith("A real gain")
    assert document["efforts"][1]["rider_w"] == pytest.approx(300.0)
    assert document["efforts"][1]["corrected_w"] == 309.0
    assert "the rider put out 300 W" in document["efforts"][1]["text"]


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
