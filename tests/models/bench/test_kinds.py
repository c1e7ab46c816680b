"""The rule table by kind."""

import pytest

from ingest.schema.tables import KIND_CHOICES
from models.bench import rule_of
from models.bench.measurement.kinds import ANY, KINDS, planned_readings


def test_every_kind_of_the_schema_has_its_row() -> None:
    assert set(KINDS) == set(KIND_CHOICES)
    assert rule_of(None) is rule_of("unheard of") is ANY


def test_spider_both_arms_on_both_rings_between_two_zeros() -> None:
    plan = planned_readings("crank_spider")
    assert [p.load for p in plan] == ["zero", *["mass"] * 4, "zero"]
    cells = {(p.arm, p.chainring) for p in plan if p.load == "mass"}
    assert cells == {(a, r) for a in ("left", "right") for r in ("small", "large")}


@pytest.mark.parametrize("kind", ["crank_arm_left", "pedal_left"])
def test_left_only_is_hung_three_times_and_has_no_right(kind: str) -> None:
    hung = [p for p in planned_readings(kind) if p.load == "mass"]
    assert [(p.arm, p.chainring) for p in hung] == [("left", None)] * 3
    rule = rule_of(kind)
    assert rule.refuses_arm("right")
    assert not rule.refuses_arm("left")
    assert not rule.refuses_arm(None)
    assert rule.may_show_double


@pytest.mark.parametrize("kind", ["crank_arm_pair", "pedal_pair"])
def test_pairs_have_a_slope_a_side(kind: str) -> None:
    rule = rule_of(kind)
    assert rule.own_slopes
    hung = [p.arm for p in planned_readings(kind) if p.load == "mass"]
    assert hung.count("left") == hung.count("right") == 2


def test_a_hub_is_loaded_up_and_down() -> None:
    ways = [p.direction for p in planned_readings("hub") if p.load == "mass"]
    assert ways == ["up", "down", "up", "down"]
    assert rule_of("hub").through_chain


def test_only_pedals_compute_with_a_length() -> None:
    assert {k for k, rule in KINDS.items() if rule.uses_length} == {"pedal_left", "pedal_pair"}
