"""What a bench page is given: each kind's readings and limits, and how sure they will be."""

from __future__ import annotations

from datetime import UTC, date, datetime

import polars as pl
import pytest

from ingest.schema import TABLES
from models.bench import evaluate_bench, session_frame
from models.bench import offline_kit as bench_page
from models.bench.measurement.kinds import KINDS
from tests.dashboard import bench_team as team

ON = date(2026, 5, 20)
PLANNED = {  # zero, the hangings in the order that is practical, zero again
    "crank_spider": [("left", "small"), ("right", "small"), ("left", "large"), ("right", "large")],
    "crank_arm_left": [("left", None)] * 3,
    "crank_arm_pair": [("left", None), ("right", None)] * 2,
    "pedal_left": [("left", None)] * 3,
    "pedal_pair": [("left", None), ("right", None)] * 2,
    "hub": [(None, None)] * 4,
    "other": [("left", "small"), ("right", "small"), ("left", "large"), ("right", "large")],
}


@pytest.fixture(scope="module")
def kit():
    tables = team.tables()
    earlier = session_frame(evaluate_bench(tables))
    status = [{"meter_id": name, "tolerance_pct": 1.5} for name in team.METERS]
    return bench_page.kit(tables, earlier, status, on=ON)


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_asks_for_zero_its_readings_and_zero_again(kit, kind):
    lines = kit["kinds"][kind]["planned"]
    assert [lines[0]["load"], lines[-1]["load"]] == ["zero", "zero"]
    hung = lines[1:-1]
    assert {line["load"] for line in hung} == {"mass"}
    assert [(line["arm"], line["chainring"]) for line in hung] == PLANNED[kind]
    ways = ["up", "down"] * 2 if kind == "hub" else [None] * len(hung)
    assert [line["direction"] for line in hung] == ways


def test_meters_carry_what_the_form_needs(kit):
    meters = {row["meter_id"]: row for row in kit["meters"]}
    assert meters["TO-1"]["static_check"] is False
    assert meters["TO-1"]["past"] is None
    assert meters["SP-2"]["known_length_mm"] == 170.0
    assert meters["PP-1"]["slopes"] == {
        "slope_left": 210.0, "slope_right": 211.0, "on": date(2026, 4, 7),
    }  # fmt: skip
    assert meters["HB-1"]["installation"]["large_ring"] == 52
    assert meters["SP-1"]["past"]["seen"] == 3


@pytest.mark.parametrize("name", [name for name in team.METERS if name != "TO-1"])
def test_usual_uncertainty_is_near_that_of_a_usual_session(kit, name):
    """The parts that mass set, place and crank share are exact; the session's own is usual."""
    rows = team.session(name, "s", datetime(2026, 5, 20, 9, tzinfo=UTC), gain=1.0, wobble=0.001)
    tables = team.tables()
    tables["bench"] = TABLES["bench"].conform(pl.DataFrame(rows, infer_schema_length=None))
    (result,) = evaluate_bench(tables)
    budget, kind = result.found.budget, kit["kinds"][team.METERS[name][0]]
    (green,) = (row for row in kit["mass_sets"] if row["bench_id"] == "green")
    assert green["u_pct"] == pytest.approx(budget.part("bench")[0], rel=2e-3)
    assert kit["places"][0]["u_pct"] == pytest.approx(budget.part("place")[0], rel=2e-3)
    # a hub's own readings are a third as large, so its zero and display count for more
    times = 4.0 if kind["through_chain"] else 1.6
    usual, found = kind["u_session_pct"], budget.part("session")[0]
    assert 1 / times < usual / found < times


def test_mass_set_known_by_its_stamp_says_so(kit):
    (iron,) = (row for row in kit["mass_sets"] if row["bench_id"] == "iron")
    assert iron["u_pct"] == pytest.approx(100 * 0.02 / 3**0.5)
    assert iron["basis"] == "stamped"
