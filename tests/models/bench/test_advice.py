"""Advice: what a finding asks for, and when the slope is better left alone."""

from __future__ import annotations

from typing import Any

import pytest

from models.bench.advice import (
    ENOUGH_HANGS,
    REMEDIES,
    SETTLED_HANGS,
    WRONG_WAY,
    Basis,
    advise,
    new_slope,
    rounding_residual_pct,
    slope_mismatch_pct,
    slope_to_enter,
)
from models.bench.causes import LOOK_COST, Check, Doubt, Suspicion, before_leaving
from models.bench.causes.checks import HANG_SECONDS, SECONDS
from models.metrology import Term, budget, verdict
from models.wording import Reason


def basis(error: float, u: float = 0.2, *, shared: str = "crank", **changes: Any) -> Basis:
    total = budget([Term("crank_length", u, "B", "normal", shared)])
    base = Basis(
        error_pct=error,
        budget=total,
        tolerance_pct=1.5,
        verdict=verdict(error, total.expanded_pct, tolerance_pct=1.5),
        convention="multiplier",
        new_slope=5.0 / (1 + error / 100),
    )
    return base._replace(**changes)


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        (basis(0.3), "leave"),
        (basis(-0.39), "leave"),
        (basis(2.0), "reset"),
        (basis(-2.0), "reset"),
        (basis(1.7, u=1.0, shared="session"), "repeat"),
        (basis(0.3, u=0.9, shared="session"), "repeat"),
        (basis(1.7, u=1.0), "leave"),  # the crank's length: hanging again cannot tell
        (basis(0.3, u=0.9), "leave"),
        (basis(12.0), "repeat"),
        (basis(2.5, convention="fixed"), "send_away"),
        (basis(1.6, convention="fixed"), "repeat"),
        (basis(0.6, convention="fixed"), "leave"),
        (basis(2.5, slope_min=4.95), "send_away"),
        (basis(-2.5, slope_max=5.05), "send_away"),
        (basis(0.6, linearity_pct=1.8), "send_away"),
    ],
)
def test_by_size(case: Basis, expected: str) -> None:
    assert advise(case, []).code == expected


def test_never_a_reset_within_the_uncertainty() -> None:
    for error in (k / 20 for k in range(-100, 101)):
        for u in (0.1, 0.3, 0.8):
            case = basis(error, u)
            if advise(case, []).code == "reset":
                assert abs(error) > case.budget.expanded_pct


def test_a_step_too_coarse_to_help_is_left() -> None:
    """0.5 % found on a slope of 5 with steps of 0.1 (2 %): nothing to gain."""
    case = basis(0.5, slope_step=0.1)
    assert rounding_residual_pct(case) == pytest.approx(0.5, abs=1e-9)
    assert advise(case, []).code == "leave"


def test_an_open_suspicion_comes_before_any_reset() -> None:
    entry = Suspicion("crank_length", 172.5, 170.0, 0.0, Reason("display_doubled"))
    setting = Suspicion("doubled_display", 1, 2, 0.0, Reason("display_doubled"), "setting")
    loose = Reason("arms_differ", gap_pct=2.0)
    assert advise(basis(2.0), [entry]).code == "repeat"
    assert advise(basis(2.0), [entry, setting]).code == "fix_setting"
    assert advise(basis(2.0), [], hold=loose).code == "repeat"
    assert advise(basis(0.2), [], hold=loose).code == "leave"


def test_rounded_slope_and_what_remains() -> None:
    """By hand: 5.69/1.01363 = 5.6135, entered as 5.61: 0.06 % low; a divisor the other way."""
    up = basis(1.363, new_slope=5.6135, slope_step=0.01)
    assert slope_to_enter(up) == pytest.approx(5.61)
    assert rounding_residual_pct(up) == pytest.approx(100 * (5.61 / 5.6135 - 1))
    down = up._replace(convention="divisor")
    assert rounding_residual_pct(down) == pytest.approx(100 * (5.6135 / 5.61 - 1))
    assert slope_to_enter(up._replace(slope_max=5.5)) == 5.5
    assert slope_to_enter(basis(1.0, new_slope=None)) is None
    assert rounding_residual_pct(basis(1.0, new_slope=None)) is None


def test_new_slope_by_convention() -> None:
    """Source: the data contract: multiplier old/ratio, divisor old · ratio."""
    assert new_slope(5.0, 1.02, convention="multiplier") == pytest.approx(5 / 1.02)
    assert new_slope(5.0, 1.02, convention="divisor") == pytest.approx(5.1)
    for slope, ratio, convention in (
        (5.0, 1.02, "fixed"),
        (5.0, 1.02, None),
        (None, 1.02, "divisor"),
        (5.0, -1.0, "divisor"),
    ):
        assert new_slope(slope, ratio, convention=convention) is None


def test_mismatch() -> None:
    assert slope_mismatch_pct(5.1, 5.0) == pytest.approx(2.0)
    assert slope_mismatch_pct(None, 5.0) is None
    assert slope_mismatch_pct(5.1, None) is None


def test_every_source_has_its_sentence() -> None:
    sources = {
        *("mass", "hanger_mass", "scale_gravity", "air_buoyancy", "crank_length", "gravity"),
        *("crank_angle", "lean", "off_level", "resolution", "zero", "zero_drift", "repeatability"),
        *("reading_noise", "hysteresis", "chain_loss", "balance"),
    }
    assert set(REMEDIES) == sources


def test_a_reset_waits_for_the_cheaper_look() -> None:
    """Expected harm against LOOK_COST, the forecast, and three hangs that agree."""
    case = basis(2.0)
    for doubt, code in (
        (Doubt(), "reset"),
        (Doubt(reset_harm=LOOK_COST * 2), "repeat"),
        (Doubt(reset_harm=LOOK_COST / 2), "reset"),
        (Doubt(outside=True), "repeat"),
        (Doubt(outside=True, agreed=1), "reset"),
        (Doubt(reset_harm=LOOK_COST * 2, agreed=1), "reset"),
        (Doubt(reset_harm=LOOK_COST * 9, agreed=1), "repeat"),
        (Doubt(reset_harm=LOOK_COST * 99, agreed=ENOUGH_HANGS), "reset"),
    ):
        assert advise(case, [], doubt=doubt).code == code
    assert advise(basis(0.1), [], doubt=Doubt(outside=True)).code == "leave"


def test_a_slope_left_alone_is_worth_a_glance_not_a_hang() -> None:
    """A glance costs its seconds' part of what hanging again does, and mends what hanging would."""
    each = LOOK_COST / HANG_SECONDS * SECONDS["hanger_mass"]
    base = Check("hanger_mass", 0.35, 0.0, 1.9, 0.01, Reason("look_hanger"))
    for hidden, shown in ((2 * each, 1), (each / 2, 0)):
        doubt = Doubt(leave_harm=hidden, checks=(base._replace(hidden=hidden),))
        assert advise(basis(0.1), [], doubt=doubt).code == "leave"
        assert len(before_leaving(doubt)) == shown


def test_within_tolerance_only_a_slope_that_is_surely_better() -> None:
    assert advise(basis(0.8), [], doubt=Doubt(better=0.9)).code == "leave"
    assert advise(basis(0.8), [], doubt=Doubt(better=0.99)).code == "reset"
    assert advise(basis(1.8), [], doubt=Doubt(better=0.9)).code == "reset"


def test_forecast_and_finding_together_ask_for_a_reset() -> None:
    """Neither is sure alone; odds of five to one do, of three to one once two hangs agree."""
    case = basis(1.4, u=0.75, shared="session")
    much = LOOK_COST * 5
    for doubt, code in (
        (Doubt(), "leave"),
        (Doubt(own_harm=much, spared=much, better=0.9), "reset"),
        (Doubt(own_harm=much, spared=much, better=0.8), "repeat"),
        (Doubt(own_harm=much, spared=much, better=0.8, agreed=SETTLED_HANGS), "reset"),
        (Doubt(own_harm=much, spared=much, better=0.7, agreed=SETTLED_HANGS), "leave"),
        (Doubt(own_harm=much, better=0.9), "repeat"),
    ):
        assert advise(case, [], doubt=doubt).code == code
    unlikely = basis(1.8, u=0.75)
    assert advise(unlikely, [], doubt=Doubt(better=0.6)).code == "repeat"


def test_a_slope_changed_the_wrong_way_is_mended_first() -> None:
    turned = Suspicion(WRONG_WAY, 5.72, 5.5, None, Reason("display_doubled"), "setting")
    advice = advise(basis(2.0), [turned])
    assert (advice.code, advice.reason.kind) == ("fix_setting", "slope_to_undo")
