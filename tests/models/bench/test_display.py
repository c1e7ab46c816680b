"""What a display's step is: stated, typed, or learnt from the readings of a meter and its group."""

from __future__ import annotations

from typing import Any

import pytest

from models.bench import evaluate_bench, session_frame
from models.bench.evaluation import SessionResult
from tests.models.bench.bench_sessions import bench, table

Row = dict[str, Any]
FINE = (33.4, 33.5, 0.1, 33.6, 33.7, 33.3, 33.2, 33.8, 33.9)


def session(*torques: float, decimals: int | None = None, **columns: Any) -> list[Row]:
    rows = [{"torque_nm": nm, "torque_decimals": decimals, "arm": "left"} for nm in torques]
    return [row | columns for row in rows]


def judged(rows: list[Row], *meters: Row, **more: Any) -> list[SessionResult]:
    listed = [{"meter_id": "M1"}, *meters]
    return evaluate_bench({"bench": bench(rows), "meters": table("meters", listed)}, **more)


def resolution_pct(result: SessionResult) -> float:
    assert result.found is not None
    (term,) = (t for t in result.found.budget.terms if t.source == "resolution")
    return term.u_pct


def test_a_zero_typed_at_the_end_was_read_off_the_display() -> None:
    """GUM (JCGM 100:2008) F.2.2.1: u = 0.29 δx for a step δx, here 0.1 of 33 N·m, not 1."""
    (result,) = judged(session(33.0, decimals=1))
    assert result.step_nm == pytest.approx(0.1)
    assert resolution_pct(result) == pytest.approx(0.1 / 12**0.5 / 33.0 * 99, rel=0.02)
    (bare,) = judged(session(33.0))
    assert resolution_pct(bare) == pytest.approx(10 * resolution_pct(result), rel=1e-6)


def test_a_stated_step_holds_whatever_was_typed() -> None:
    (result,) = judged(session(33.0, decimals=2), {"meter_id": "M1", "torque_step_nm": 0.5})
    assert result.step_nm == 0.5


def test_the_meters_other_readings_tell() -> None:
    """Whole numbers by chance, where the same meter's display has shown tenths."""
    rows = session(33.0, 34.0, session_id="S2") + session(*FINE)
    assert [r.step_nm for r in judged(rows)] == pytest.approx([0.1, 0.1])


def test_else_those_of_its_group_do() -> None:
    others: list[Row] = [{"meter_id": "M2", "model_group": "a"}]
    rows = session(33.0, 34.0) + session(*FINE, session_id="S2", meter_id="M2")
    same, _ = judged(rows, {"meter_id": "M1", "model_group": "a"}, *others)
    assert same.step_nm == pytest.approx(0.1)
    apart, _ = judged(rows, {"meter_id": "M1", "model_group": "b"}, *others)
    assert apart.step_nm == 1.0


def test_many_different_whole_numbers_are_a_display_of_whole_numbers() -> None:
    """Four readings without a tenth would be one in ten thousand on a display of tenths."""
    rows = session(31.0, 32.0, 33.0, 34.0, session_id="S2") + session(*FINE)
    assert [r.step_nm for r in judged(rows)] == pytest.approx([1.0, 0.1])


def test_sessions_evaluated_before_tell_as_well() -> None:
    earlier = session_frame(judged(session(*FINE, session_id="S0")))
    (result,) = judged(session(33.0, 34.0), earlier=earlier)
    assert result.step_nm == pytest.approx(0.1)
