"""Two days before an A race: what is offered follows from the cause."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.coaching import race_eve, race_is_near
from models.coaching.eve import EVE_DAYS
from models.status import SideForecast
from tests.models.fleet.small_team import table

TODAY = date(2026, 5, 1)
NO_ALARMS = pl.DataFrame(
    schema={"device_kind": pl.String, "device_id": pl.String, "kind": pl.String, "date": pl.Date}
)


def eve(
    errors: list[float], *, alarms: pl.DataFrame = NO_ALARMS, convention: str = "multiplier",
    race_in: int = 1, sides: SideForecast | None = None,
) -> list[dict[str, Any]]:  # fmt: skip
    """K1 races with R1; K2 is a spare alike, K3 has another crank length."""
    meters = pl.DataFrame(
        {
            "meter_id": ["K1", "K2", "K3"],
            "tolerance_pct": [1.5] * 3,
            "kind": ["crank_spider"] * 3,
            "crank_length_mm": [172.5, 172.5, 170.0],
            "slope_convention": [convention] * 3,
            "state": ["active", "spare", "active"],
        }
    )
    rows = [{"meter_id": "K1", "from_date": date(2026, 1, 1), "rider_id": "R1", "role": "race"}]
    rows += [{"meter_id": m, "from_date": date(2026, 1, 1), "role": "spare"} for m in ("K2", "K3")]
    tables = {
        "assignments": table("assignments", *rows),
        "calendar": table(
            "calendar",
            {"name": "Lake race", "from_date": TODAY + timedelta(days=race_in),
             "to_date": TODAY + timedelta(days=race_in), "kind": "race", "priority": "A"},
        ),
    }  # fmt: skip
    both = np.array(errors), np.full(3, 0.2)
    return race_eve(meters, both, tables, alarms, today=TODAY, sides=sides)


def test_a_pair_is_out_as_its_worse_side_is() -> None:
    """Sides of +2.5 and −2.5 %: their mean is right, neither side is."""
    spread = {"left": np.array([[2.5]]), "right": np.array([[-2.5]])}
    sides = SideForecast(np.array([0]), spread, {side: np.array([[0.2]]) for side in spread})
    assert eve([0.0, 0.1, 0.1]) == []
    [row] = eve([0.0, 0.1, 0.1], sides=sides)
    assert row["meter_id"] == "K1"
    assert row["p_within_tolerance"] < 0.001


def step_of(meter: str) -> pl.DataFrame:
    return pl.DataFrame(
        {"device_kind": ["meter"], "device_id": [meter], "kind": ["step"],
         "date": [TODAY - timedelta(days=5)]},
        schema=NO_ALARMS.schema,
    )  # fmt: skip


def test_a_slow_drift_is_left_and_translated() -> None:
    """By hand: 2 % high shows 306 W for 300 true, ± 300 · 0.2 % · 1.645 = 1 W."""
    [row] = eve([2.0, 0.1, 0.1])
    assert (row["meter_id"], row["rider_id"], row["cause"]) == ("K1", "R1", "drift")
    [option] = row["options"]
    assert option["shown_w"] == pytest.approx(306.0)
    assert "300 W true = 306 W shown (± 1)" in option["do"]
    assert "Reset its slope after the race" in option["do"]


def test_a_sudden_step_asks_for_a_sound_stand_in_first() -> None:
    [row] = eve([2.5, 0.1, 0.1], alarms=step_of("K1"))
    assert row["cause"] == "step"
    assert [o["meter_id"] for o in row["options"]] == ["K2", "K1"]  # K3: another crank length
    assert "ten minutes" in row["options"][0]["do"]
    assert row["options"][0]["risk"] == "under 1 % that it is out of tolerance too"
    [alone] = eve([2.5, 2.0, 0.1], alarms=step_of("K1"))  # K2 is out itself
    assert [o["meter_id"] for o in alone["options"]] == ["K1"]


def test_a_fixed_slope_is_translated() -> None:
    [row] = eve([2.0, 0.1, 0.1], convention="fixed")
    assert row["cause"] == "fixed"
    assert "keep translating" in row["options"][0]["do"]


def test_nothing_is_said_of_sound_meters_or_distant_races() -> None:
    assert eve([1.0, 0.1, 0.1]) == []
    assert eve([2.0, 0.1, 0.1], race_in=3) == []
    assert eve([0.1, 2.0, 2.0]) == []  # spares that nobody races on


def test_only_a_races_within_the_days_looked_at_are_near() -> None:
    def near(priority: str, first: int, last: int) -> bool:
        span = {"from_date": TODAY + timedelta(days=first), "to_date": TODAY + timedelta(days=last)}
        row = {"name": "Weir", "kind": "race", "priority": priority, **span}
        return race_is_near(table("calendar", row), today=TODAY)

    assert near("A", 0, 0)
    assert near("A", EVE_DAYS, EVE_DAYS + 3)
    assert near("A", -3, 0)
    assert not near("A", EVE_DAYS + 1, EVE_DAYS + 1)
    assert not near("A", -3, -1)
    assert not near("B", 1, 1)
    assert not race_is_near(table("calendar"), today=TODAY)
