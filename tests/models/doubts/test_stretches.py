"""Stretches in doubt: their ends, causes and factors on courses laid out by hand."""

from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from models.coaching import Span
from models.doubts.causes import Cause
from models.doubts.mishap_cost import _caused
from models.doubts.one_stretch import Course, doubt_of
from models.doubts.stretches import _joined, _runs
from tests.models.fleet.small_team import empty_tables

FIRST, LIMIT, SD = date(2026, 1, 1), 1.5, 0.25


def day(k: int) -> date:
    return FIRST + timedelta(days=k)


def course(mean: list[float], *, lasts: bool = True) -> Course:
    """A meter under one rider, its error known to SD on each day."""
    error = np.array(mean)
    within = norm.cdf((LIMIT - error) / SD) - norm.cdf((-LIMIT - error) / SD)
    span = Span("M1", "Ada", FIRST, day(len(mean) - 1))
    return Course(span, error, np.full(len(mean), SD), within, lasts)


def test_a_drift_begins_between_the_days_on_which_it_may_have_passed_the_limit() -> None:
    """At sd 0.25 the chance of being out passes 5 and 95 % at 1.5 ∓ 1.645 · 0.25."""
    drift = course([k / 100 for k in range(301)])
    ((first, last),) = _runs(drift.p_within < 0.5, sure=drift.p_within >= 0.9, lasts=True)
    row = doubt_of(drift, first, last, causes=(), beside=(), changed=(), legs=True)
    assert (row["from_earliest"], row["from_latest"]) == (day(109), day(192))
    assert (row["to_latest"], row["ending"]) == (None, "lasts")
    assert [cause["kind"] for cause in row["causes"]] == ["drift"]
    assert row["rider_factor"] == pytest.approx(np.exp(-row_mean(drift, 192) / 100))


def row_mean(shown: Course, since: int) -> float:
    return float(shown.mean[since:].mean())


def test_a_cause_gives_its_own_days_and_a_visit_ends_it() -> None:
    """A step of +2 % between days 40 and 60, mended on day 100, handed on on day 150."""
    shown = course([0.0] * 50 + [2.0] * 50 + [0.1] * 51, lasts=False)
    step = Cause("step", "M1", day(40), day(60), day(100), 2.0)
    row = doubt_of(shown, 50, 99, causes=[step], beside=(), changed=[day(100)], legs=True)
    assert (row["from_earliest"], row["from_latest"]) == (day(40), day(60))
    assert (row["to_earliest"], row["to_latest"], row["ending"]) == (
        day(100),
        day(100),
        "put_right",
    )
    assert row["causes"] == [{"kind": "step", "size_pct": 2.0}]
    assert row["error_pct"] == pytest.approx(100 * np.expm1(0.02))
    assert "nobody recorded (+2.0 %)" in row["text"]
    legs = doubt_of(
        course([2.0] * 30, lasts=False), 0, 29, causes=(),
        beside=[{"kind": "legs", "size_pct": 1.7}], changed=(), legs=True,
    )  # fmt: skip
    assert (legs["taken_over"], legs["ending"], legs["to_latest"]) == (True, "handed_on", day(29))
    assert legs["why"] == "the rider's left leg, counted for both (+1.7 %)"


def test_a_stretch_goes_on_until_a_day_that_is_sure() -> None:
    near = [False, True, True, False, False, True, False, True, False]
    sure = [True, False, True, False, False, False, True, False, False]  # the third is in doubt
    assert _runs(np.array(near), sure=np.array(sure), lasts=True) == [(1, 5), (7, 8)]
    assert _runs(np.array(near), sure=np.array(sure), lasts=False) == [(1, 5), (7, 7)]


def test_a_mishap_costs_the_days_on_which_it_put_the_meter_out() -> None:
    """By hand: ridden daily, out from day 40 to 99, mended on day 100; before, one day in 20."""

    def error(_: object, days: list[date]) -> tuple[np.ndarray, np.ndarray]:
        struck = np.array([on >= day(40) for on in days])
        return np.where(struck, 3.0, 0.0), np.where(struck, 0.001, LIMIT / norm.ppf(0.975))

    fleet: Any = SimpleNamespace(gain_error=error)
    step = Cause("step", "M1", day(40), day(60), day(100), 3.0)
    caused = _caused(step, fleet, empty_tables(), limit=LIMIT, last=day(200))
    assert caused == pytest.approx(60 - 0.05 * 60, rel=0.01)
    ten_days = _caused(step, fleet, empty_tables(), limit=LIMIT, last=day(49))
    assert ten_days == pytest.approx(9.5, 0.01)
    assert _caused(step, fleet, empty_tables(), limit=4.0, last=day(200)) == 0.0


def test_a_change_of_role_is_no_new_stretch_and_a_day_of_handover_no_overlap() -> None:
    spans = [
        Span("M1", "Ada", day(0), day(9)),
        Span("M1", "Ada", day(10), day(20)),
        Span("M1", "Bo", day(21), day(30)),
    ]
    assert [(s.rider_id, s.first, s.last) for s in _joined(spans)] == [
        ("Ada", day(0), day(20)),
        ("Bo", day(21), day(30)),
    ]
