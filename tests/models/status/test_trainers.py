"""How far trainers have moved, and when they are due, against simulated truth."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.fleet import FleetFit, FleetSettings, fit
from models.status import trainer_changes
from models.status.trainers import SCHEMA, trainer_states
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleets import SCENARIOS, Fleet, simulate_fleet


def fitted(seed: int, *, jump: float = 0.0, alarms: bool = True) -> tuple[Fleet, FleetFit]:
    options = replace(
        SCENARIOS["usual"], n_meters=40, years=2.0, trainer_jump=jump, trainer_walk=0.3
    )
    fleet = simulate_fleet(options, seed)
    return fleet, fit(fleet_data(fleet), today=fleet.today, settings=FleetSettings(alarms=alarms))


def references(fleet: Fleet, tolerance_pct: float = 1.0) -> pl.DataFrame:
    return fleet.frames["references"].select("reference_id", tolerance_pct=pl.lit(tolerance_pct))


def test_the_change_of_a_trainer_is_known_as_well_as_it_says() -> None:
    """The change from a year ago to today: inside 90 % intervals about 90 % of the time."""
    inside, z = [], []
    for seed in range(60, 72):
        fleet, fleet_fit = fitted(seed, alarms=False)
        changes = trainer_changes(references(fleet), fleet_fit, as_of=fleet.today)
        last = fleet.n_days - 1
        for row in changes.iter_rows(named=True):
            course = fleet.truth.references[row["reference_id"]]
            since = (row["since"] - fleet.options.first_day).days
            true = float(course[last] - course[since])
            z.append((row["change_ln"] - true) / row["change_sd_ln"])
            inside.append(abs(z[-1]) <= 1.645)
    assert len(inside) == 48
    assert 0.78 <= np.mean(inside) <= 1.0  # 48 trials: two standard errors and a half
    assert abs(np.mean(z)) < 0.5


def test_a_trainer_that_jumped_is_due_and_the_others_are_not() -> None:
    fleet, fleet_fit = fitted(7, jump=2.4)
    jump = fleet.truth.jumps[0]
    changes = trainer_changes(references(fleet), fleet_fit, as_of=fleet.today)
    states = {
        row["reference_id"]: state
        for row, state in zip(
            changes.to_dicts(),
            trainer_states(changes, as_of=fleet.today, target=0.9),
            strict=True,
        )
    }
    since = changes["since"].min()
    assert isinstance(since, date)
    assert jump.day > (since - fleet.options.first_day).days, "the jump is within the last year"
    struck = states.pop(jump.device_id)
    assert struck["status"] == "out"
    assert struck["due_date"] == fleet.today
    assert struck["change_pct"] == pytest.approx(100 * np.expm1(jump.size / 100), abs=0.9)
    assert "leave its meters alone" in struck["reasons"][0]
    assert {state["status"] for state in states.values()} <= {"ok", "soon"}


def row(**values: object) -> pl.DataFrame:
    usual: dict[str, object] = {
        **{"reference_id": "T1", "since": date(2025, 1, 1), "change_ln": 0.3},
        **{"change_sd_ln": 0.1, "wander_ln": 0.35, "last_comparison": date(2025, 12, 1)},
        **{"n_comparisons": 40, "tolerance_pct": 1.0},
    }
    return pl.DataFrame([usual | values], schema=SCHEMA)


def test_the_due_day_is_when_the_chance_falls_below_the_target() -> None:
    """By hand: 0.3 % with sd √(0.1² + 0.35²·t) leaves ±1 % with 10 % once the upper tail does."""
    today = date(2026, 1, 1)
    state = trainer_states(row(), as_of=today, target=0.9)[0]
    assert state["status"] == "ok"
    days = (state["due_date"] - today).days
    from scipy.stats import norm

    def chance(t: float) -> float:
        sd = np.sqrt(0.1**2 + 0.35**2 * t / 365.25)
        return float(norm.cdf((1.0 - 0.3) / sd) - norm.cdf((-1.0 - 0.3) / sd))

    assert chance(days - 10) > 0.9 > chance(days + 10)


def test_a_still_trainer_is_never_due_and_one_seen_once_is_unknown() -> None:
    today = date(2026, 1, 1)
    still = trainer_states(row(wander_ln=0.0), as_of=today, target=0.9)[0]
    assert (still["status"], still["due_date"]) == ("ok", None)
    once = row(n_comparisons=1, change_ln=None, change_sd_ln=None)
    state = trainer_states(once, as_of=today, target=0.9)[0]
    assert (state["status"], state["p_within_tolerance"], state["due_date"]) == (
        "unknown",
        None,
        None,
    )
    assert "Only one comparison" in state["reasons"][0]
    soon = trainer_states(row(change_ln=0.82, wander_ln=0.5), as_of=today, target=0.9)[0]
    assert soon["status"] == "soon"
    assert soon["due_date"] <= today + timedelta(days=28)
