"""The season's plan: risks by simulation, stakes by hand, the whole on a simulated fleet."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.fleet import FleetFit
from models.season import (
    COVERAGE_FACTOR,
    SeasonAsk,
    bench_list,
    calendar_text,
    exposure_of,
    parse_pins,
    pins_in_force,
    plan_document,
    prices,
)
from models.season.bench_slots import slots_of
from models.season.risk import risk_after_visits
from models.season.season_ask import limits_of_roles
from models.season.visit_choices import days_out
from models.status import p_within
from models.wording import NoAnswerError
from tests.models.fleet.small_team import SETTINGS, asked_for, empty_tables, small_team, table

MONDAY = date(2026, 3, 2)


# --- risk after a visit -----------------------------------------------------------------------


def test_risk_after_a_visit_against_simulation() -> None:
    """200,000 draws of error, session and reset; no formula of ours in them."""
    mean = np.array([0.9, 1.0, 1.4])
    root = np.array([[0.6, 0, 0], [0.55, 0.25, 0], [0.5, 0.3, 0.5]])
    covariance, u, tolerance = root @ root.T, 0.25, 1.5
    ours = risk_after_visits(mean, covariance, u, tolerance)
    rng = np.random.default_rng(8)
    error = mean + rng.standard_normal((200_000, 3)) @ root.T
    for v in range(3):
        found = error[:, v] + u * rng.standard_normal(len(error))
        reset = np.where(np.abs(found) > COVERAGE_FACTOR * u, found, 0.0)
        for k in range(v, 3):
            out = np.mean(np.abs(error[:, k] - reset) > tolerance)
            assert ours[v, k] == pytest.approx(out, abs=0.006)


def test_what_sessions_have_in_common_counts_once() -> None:
    """A crank that is off by 0.25 %: the meter was reset on it before, so a visit finds nothing.

    200,000 draws of errors, common part, sessions and resets; no formula of ours in them.
    """
    sd = {"common": 0.25, "noise": 0.1, "move": 0.5}
    rng = np.random.default_rng(3)
    n = 200_000
    common = sd["common"] * rng.standard_normal(n)
    before = sd["noise"] * rng.standard_normal(n)
    error = [0.4 - common - before]  # the last session left so much, as it now stands
    for _ in range(2):
        error.append(error[-1] + sd["move"] * rng.standard_normal(n))
    errors = np.array(error)
    joint = np.cov(np.vstack([errors, common]))
    ours = risk_after_visits(
        errors.mean(axis=1), joint[:3, :3], 0.27, 1.0,
        shared=joint[3, :3], noise2=sd["noise"] ** 2 + joint[3, 3],
    )  # fmt: skip
    for v in range(3):
        found = errors[v] + common + sd["noise"] * rng.standard_normal(n)
        reset = np.where(np.abs(found) > COVERAGE_FACTOR * 0.27, found, 0.0)
        for k in range(v, 3):
            assert ours[v, k] == pytest.approx(np.mean(np.abs(errors[k] - reset) > 1.0), abs=0.006)


def test_a_visit_to_a_meter_that_never_moves_leaves_the_sessions_noise() -> None:
    """By hand: e = 3 ± 0.5 is reset on y, so −noise is left, sd u: P(|N(0, 0.5)| > 1)."""
    covariance = np.full((2, 2), 0.25)
    risk = risk_after_visits(np.array([3.0, 3.0]), covariance, 0.5, 1.0)
    expected = 1 - p_within(np.array(0.0), np.array(0.5), np.array(1.0))
    assert risk[0, 1] == pytest.approx(float(expected), abs=0.01)


# --- stakes -----------------------------------------------------------------------------------

DAYS = [MONDAY + timedelta(days=k) for k in range(14)]


def test_what_a_day_weighs() -> None:
    """By hand: A 5, B 2, other days 1, closed 0; races of another rider do not count."""
    calendar = table(
        "calendar",
        {"name": "Weir", "from_date": DAYS[1], "to_date": DAYS[2], "kind": "race", "priority": "A"},
        {"name": "Moor", "from_date": DAYS[2], "to_date": DAYS[3], "kind": "race", "priority": "B"},
        {
            "name": "Hour", "from_date": DAYS[5], "to_date": DAYS[5], "kind": "race",
            "priority": "A", "rider_id": "Nadja",
        },
        {"name": "Rest", "from_date": DAYS[6], "to_date": DAYS[7], "kind": "closed"},
    )  # fmt: skip
    assignments = table(
        "assignments",
        {"meter_id": "M1", "from_date": DAYS[0], "rider_id": "Aldo", "role": "race"},
        {"meter_id": "M2", "from_date": DAYS[0], "rider_id": "Aldo", "role": "training"},
        {"meter_id": "M3", "from_date": DAYS[0], "rider_id": None},
        {"meter_id": "M4", "from_date": DAYS[0], "to_date": DAYS[4], "rider_id": "Aldo"},
        {"meter_id": "M4", "from_date": DAYS[5], "rider_id": "Nadja"},
    )
    use = exposure_of(["M1", "M2", "M3", "M4", "M5"], DAYS, calendar, assignments)
    assert use.weight[0].tolist() == [1, 5, 5, 2, 1, 1, 0, 0, 1, 1, 1, 1, 1, 1]
    assert use.weight[1].tolist() == [1, 0, 0, 0, 1, 1, 0, 0, 1, 1, 1, 1, 1, 1]
    assert not use.weight[2].any()
    assert use.weight[3].tolist() == [1, 5, 5, 2, 1, 5, 0, 0, 1, 1, 1, 1, 1, 1]
    assert use.weight[4].tolist() == use.weight[0].tolist()
    assert use.first_a.tolist() == [1, -1, -1, 1, 1]


def test_slots_of_a_week() -> None:
    """The fewest of its working days, workshops added; none where closed or not covered."""
    mondays = [MONDAY + timedelta(weeks=k) for k in range(4)]
    capacity = table(
        "capacity",
        {"from_date": MONDAY, "to_date": MONDAY + timedelta(days=8), "slots": 4.0},
        {
            "from_date": MONDAY,
            "to_date": MONDAY + timedelta(days=30),
            "slots": 2.0,
            "workshop": "b",
        },
    )
    closed = table(
        "calendar",
        {
            "name": "Break", "from_date": mondays[2] + timedelta(days=6),
            "to_date": mondays[3], "kind": "closed",
        },
    )  # fmt: skip
    slots, shut, lacks = slots_of(mondays, capacity, closed, fixed=None)
    assert slots.tolist() == [6, 2, 0, 0]
    assert shut == (False, False, True, True)
    assert lacks == []
    slots, _, lacks = slots_of(mondays, capacity.clear(), closed.clear(), fixed=None)
    assert slots.tolist() == [4, 4, 4, 4]
    assert "no capacity" in lacks[0]


def test_the_crew_away_and_days_past_take_their_part_of_a_weeks_slots() -> None:
    """By hand: 5 a week; a race from Thursday leaves 3 of 5 days, a camp of a rider all of them;
    from Wednesday on 3 days have 3 slots, of which 4 held sessions leave 1."""
    mondays = [MONDAY + timedelta(weeks=k) for k in range(3)]
    capacity = table(
        "capacity",
        {"from_date": MONDAY, "to_date": MONDAY + timedelta(days=30), "slots": 5.0},
        {"from_date": mondays[2], "to_date": mondays[2] + timedelta(days=6), "slots": 1.0},
    )
    thursday = mondays[1] + timedelta(days=3)
    away = {"from_date": thursday, "to_date": thursday + timedelta(days=3)}
    calendar = table(
        "calendar",
        {"name": "Stages", "kind": "race", **away},
        {"name": "Her camp", "kind": "camp", "rider_id": "R1", **away},
    )
    slots, _, _ = slots_of(mondays, capacity, calendar, fixed=None)
    assert slots.tolist() == [5, 3, 1]
    first = MONDAY + timedelta(days=2)
    slots, _, _ = slots_of(mondays, capacity, calendar, fixed=None, first=first, held=4)
    assert slots.tolist() == [1, 3, 1]
    slots, _, _ = slots_of(mondays, capacity, calendar, fixed=4, first=first)
    assert slots.tolist() == [2, 4, 4]


def test_prices_of_a_group_come_before_those_for_all() -> None:
    costs = table(
        "costs",
        {"item": "bench_session", "unit_cost": 38.0, "currency": "EUR"},
        {"item": "bench_session", "model_group": "g", "unit_cost": 50.0},
        {"item": "transport", "unit_cost": 22.0},
        {"item": "out_of_tolerance_day", "unit_cost": 9.0},
    )
    money = prices(costs, ["f", "g"])
    assert money.visit.tolist() == [60.0, 72.0]
    assert money.day.tolist() == [9.0, 9.0]
    assert money.lacks == ()
    assert len(prices(costs.clear(), ["f"]).lacks) == 2


def test_pins_as_day_or_iso_week() -> None:
    assert parse_pins(["M=1=2026-03-04", "M2=2026-W10", "M2=2026-03-30"]) == {
        "M=1": (date(2026, 3, 4),),
        "M2": (MONDAY, date(2026, 3, 30)),
    }
    for wrong in ("M1", "M1=week 10", "=2026-W10", "M1=2026-W60"):
        with pytest.raises(NoAnswerError, match="METER=WEEK"):
            parse_pins([wrong])


def test_pins_that_a_plan_cannot_keep_are_named_with_why() -> None:
    meters = pl.DataFrame(
        {
            "meter_id": ["here", "gone", "lent", "turning"],
            "gone": [False, True, False, False],
            "state": ["active", "active", "lent", None],
            "static_check": [True, True, True, False],
        }
    )
    ask = SeasonAsk(MONDAY, MONDAY + timedelta(weeks=9))
    week, today = MONDAY + timedelta(weeks=2), MONDAY + timedelta(weeks=2, days=3)
    kept = dict.fromkeys(meters["meter_id"], (week,)) | {"here": (MONDAY, week)}
    held, idle = pins_in_force(kept, meters, ask, today=today)
    assert held == {"here": (week,)}
    assert [(pin["meter_id"], pin["week"], pin["why"]) for pin in idle] == [
        ("here", MONDAY, "outside this period"),
        ("gone", week, "cannot come to the bench"),
        ("lent", week, "cannot come to the bench"),
        ("turning", week, "cannot come to the bench"),
    ]
    other = week + timedelta(weeks=1)
    both = SeasonAsk(MONDAY, week, pins={"here": (other,)}).with_pins(held)
    assert both.pins == {"here": (week, other)}


# --- the whole plan ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def team() -> tuple[Any, FleetFit]:
    return small_team(3)


def test_a_plan_without_any_other_table_says_what_it_lacks(team: tuple[Any, FleetFit]) -> None:
    found, fitted = team
    asked = asked_for(found)
    plan = plan_document(found, fitted, empty_tables(), SETTINGS, asked)
    assert {text.split(":")[0].split(" has")[0] for text in plan["lacks"]} == {
        "no calendar", "no assignments", "no costs", "costs", "no capacity table",
    }  # fmt: skip
    assert plan["visits"]
    assert plan["cost"]["plan"] <= plan["cost"]["without_visits"] + 1e-9
    assert max(Counter(v["week"] for v in plan["visits"]).values()) <= 4
    everyone = {v["meter_id"] for v in plan["visits"]} | {u["meter_id"] for u in plan["unplanned"]}
    assert everyone == set(found.meters["meter_id"])
    for visit in plan["visits"]:
        assert visit["week"].weekday() == 0
        assert asked.first <= visit["week"] <= asked.last


def test_the_probability_before_a_first_visit_is_the_forecasts(team: tuple[Any, FleetFit]) -> None:
    found, fitted = team
    plan = plan_document(found, fitted, empty_tables(), SETTINGS, asked_for(found))
    seen: set[str] = set()
    for visit in plan["visits"]:
        if visit["meter_id"] in seen:
            continue
        seen.add(visit["meter_id"])
        mean, sd = fitted.gain_error(visit["meter_id"], visit["week"])
        scale = np.exp(mean / 100)
        p = p_within(100 * np.expm1(mean / 100), sd * scale, np.array(1.5))
        assert visit["p_within_tolerance_before"] == pytest.approx(float(p[0]), abs=2e-3)


def test_no_slots_pins_and_closed_weeks(team: tuple[Any, FleetFit]) -> None:
    found, fitted = team
    tables = empty_tables()
    plan = plan_document(found, fitted, tables, SETTINGS, asked_for(found, slots_per_week=0))
    assert plan["visits"] == []
    assert any("no bench slot" in note for note in plan["notes"])
    assert all(row["risk_money"] >= 0 for row in plan["unplanned"])
    meter = found.meters["meter_id"][4]
    asked = asked_for(found, slots_per_week=1)
    week = asked.first + timedelta(weeks=5)
    pinned = replace(asked, pins={meter: (week + timedelta(days=3),)})
    plan = plan_document(found, fitted, tables, SETTINGS, pinned)
    assert (week, meter) in {(v["week"], v["meter_id"]) for v in plan["visits"] if v["pinned"]}
    assert max(Counter(v["week"] for v in plan["visits"]).values()) == 1
    assert [v["meter_id"] for v in plan["visits"]].count(meter) == 1
    for offer in plan["second_visits"]:
        assert offer["meter_id"] == meter
        assert offer["money_saved"] > offer["cost"]
    tables["calendar"] = table(
        "calendar",
        {
            "name": "Break",
            "from_date": asked.first,
            "to_date": asked.first + timedelta(days=30),
            "kind": "closed",
        },
    )
    plan = plan_document(found, fitted, tables, SETTINGS, asked)
    assert all(v["week"] > asked.first + timedelta(days=30) for v in plan["visits"])


def test_a_number_of_visits_goes_where_it_spares_most(team: tuple[Any, FleetFit]) -> None:
    """As many as asked at most, each further one spares less; the days of the document agree."""
    found, fitted = team
    asked = asked_for(found, weeks=16, choices=True)
    plan = plan_document(found, fitted, empty_tables(), SETTINGS, asked)
    days = plan["days_out_of_tolerance"]
    by_name = {row["name"]: row for row in plan["choices"]}
    assert sum(row["days_out"] for row in plan["shares"]) == pytest.approx(days["plan"])
    risk = sum(row["risk"] for row in plan["shares"])
    assert plan["cost"]["visits"] + risk == pytest.approx(plan["cost"]["plan"])
    assert by_name["this plan"]["days_out"] == pytest.approx(days["plan"])
    assert by_name["none"]["days_out"] == pytest.approx(days["without_visits"])
    assert by_name["none"]["cash"] == 0
    told = [row["days_out"] for row in sorted(plan["choices"], key=lambda row: row["visits"])]
    assert told == sorted(told, reverse=True)
    for row in plan["choices"]:
        assert row["interval90"][0] <= row["days_out"] <= row["interval90"][1]
    few = plan_document(found, fitted, empty_tables(), SETTINGS, replace(asked, visits=3))
    assert 1 <= len(few["visits"]) <= 3
    paid = plan_document(found, fitted, empty_tables(), SETTINGS, replace(asked, spend=130.0))
    assert paid["cost"]["visits"] <= 130.0
    assert any("3 visits" in note for note in few["notes"])


def test_the_spread_of_days_out_is_that_of_meters_that_stay_out() -> None:
    """Source: simulation. Two spells of one meter; out where a draw of the spell is below p."""
    rng = np.random.default_rng(3)
    risk, ridden = np.array([0.1, 0.3, 0.2, 0.05, 0.4]), np.array([7.0, 7.0, 5.0, 7.0, 2.0])
    drawn = np.repeat(rng.random((40000, 2)), [3, 2], axis=1)
    days = ((drawn < risk) * ridden).sum(axis=1)
    inputs: Any = SimpleNamespace(risk=lambda *_: risk, ridden=ridden[None])
    told = days_out(inputs, [(3,)])
    assert told.mean == pytest.approx(days.mean(), rel=0.02)
    assert told.variance == pytest.approx(days.var(), rel=0.03)


def test_a_tolerance_by_use_is_the_narrowest_of_a_meters_roles(
    team: tuple[Any, FleetFit],
) -> None:
    found, _ = team
    first, second = found.meters["meter_id"][:2]
    on = {"from_date": found.as_of, "rider_id": "R1"}
    held = table(
        "assignments",
        {"meter_id": first, "role": "race", **on},
        {"meter_id": first, "role": "training", **on},
        {"meter_id": second, "role": "training", **on},
    )
    records: Any = SimpleNamespace(as_of=found.as_of, told={"assignments": held})
    limits = limits_of_roles(records, {"race": 1.0, "training": 2.0})
    assert limits == {first: 1.0, second: 2.0}


def test_impossible_questions_get_a_sentence(team: tuple[Any, FleetFit]) -> None:
    found, fitted = team
    past = SeasonAsk(date(2020, 1, 1), date(2020, 6, 1))
    backwards = SeasonAsk(date(2030, 6, 1), date(2030, 1, 1))
    stranger = asked_for(found, pins={"nobody": (found.as_of + timedelta(days=20),)})
    meter = found.meters["meter_id"][0]
    too_late = asked_for(found, pins={meter: (found.as_of + timedelta(days=2000),)})
    for asked, text in (
        (past, "that season is over"),
        (backwards, "turn them round"),
        (stranger, "expected one that the store knows"),
        (too_late, "outside the plan"),
    ):
        with pytest.raises(NoAnswerError, match=text):
            plan_document(found, fitted, empty_tables(), SETTINGS, asked)


def test_a_deadline_is_the_day_before_the_first_a_race(team: tuple[Any, FleetFit]) -> None:
    found, fitted = team
    tables = empty_tables()
    asked = asked_for(found)
    race = asked.first + timedelta(days=9)
    tables["calendar"] = table(
        "calendar",
        {"name": "Weir", "from_date": race, "to_date": race, "kind": "race", "priority": "A"},
    )
    plan = plan_document(found, fitted, tables, SETTINGS, asked)
    firsts = {v["meter_id"]: v for v in reversed(plan["visits"])}
    assert all(v["deadline"] <= race - timedelta(days=1) for v in firsts.values())
    assert any(v["deadline"] == race - timedelta(days=1) for v in firsts.values())


# --- out --------------------------------------------------------------------------------------


def test_the_calendar_file_keeps_to_rfc_5545() -> None:
    """Source: RFC 5545, 3.1 (lines), 3.3.11 (TEXT), 3.6.1 (VEVENT), read by hand here."""
    reason = "The chance is 61 %, so bench it; ± 1.5 % – " + "ü" * 60 + "\nnow, \\ then"
    visit = {"week": MONDAY, "meter_id": "FS-01", "rider_id": "Aldo", "reason": reason,
             "deadline": date(2026, 4, 1)}  # fmt: skip
    document = {"from": MONDAY, "visits": [visit, visit | {"week": MONDAY + timedelta(weeks=20)}]}
    text = calendar_text(document, stamp=datetime(2026, 2, 1, 8, tzinfo=UTC))
    assert text.endswith("END:VCALENDAR\r\n")
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    assert not re.search(r"(?<!\r)\n", text)
    unfolded = text.replace("\r\n ", "").split("\r\n")
    events = "\n".join(unfolded).split("BEGIN:VEVENT")[1:]
    assert len(events) == 2
    assert "DTSTART;VALUE=DATE:20260302" in events[0]
    assert "DTEND;VALUE=DATE:20260307" in events[0]
    uids = re.findall(r"UID:(\S+)", text)
    assert len(set(uids)) == 2
    described = next(line for line in unfolded if line.startswith("DESCRIPTION:"))[12:]
    back = re.sub(r"\\([\\;,nN])", lambda m: "\n" if m[1] in "nN" else m[1], described)
    assert back == reason + "\nBefore: 2026-04-01"
    moved = {"from": MONDAY, "visits": [visit | {"week": MONDAY + timedelta(weeks=3)}]}
    assert uids[0] in calendar_text(moved, stamp=datetime(2026, 2, 9, tzinfo=UTC))


def test_the_bench_list_by_hand() -> None:
    """By hand: 20.38 kg · 9.81 m/s² · 0.1725 m · (1 − 1.2/8000) = 34.4825 N·m."""
    tables = empty_tables() | {
        "meters": table("meters", {"meter_id": "FS-01", "kind": "crank_spider"}),
        "assignments": table(
            "assignments", {"meter_id": "FS-01", "from_date": MONDAY, "rider_id": "Aldo"}
        ),
        "installations": table(
            "installations",
            {
                "meter_id": "FS-01",
                "from_date": MONDAY,
                "bike_id": "bike-1",
                "crank_length_mm": 172.5,
                "large_ring": 53,
            },
        ),
        "mass_sets": table("mass_sets", {"bench_id": "A", "mass_kg": 20.0, "hanger_mass_kg": 0.38}),
        "places": table("places", {"place_id": "moor", "gravity_ms2": 9.81}),
    }
    visit = {"week": MONDAY, "meter_id": "FS-01", "reason": "due", "tolerance_pct": 1.5,
             "rider_id": None}  # fmt: skip
    week = MONDAY + timedelta(days=2)
    rows = bench_list({"visits": [visit]}, tables, week=week, actions={"FS-01": "Bench it now."})
    assert len(rows) == 1
    row = rows[0]
    assert (row["rider_id"], row["bike_id"], row["crank_length_mm"]) == ("Aldo", "bike-1", 172.5)
    assert row["expected_torque_nm"] == pytest.approx(34.4825, abs=2e-3)
    assert row["highest_nm"] / row["expected_torque_nm"] == pytest.approx(1.015)
    assert row["lacks"] == []
    assert (row["large_ring"], row["slope"], row["next_action"]) == (53, None, "Bench it now.")
    assert row["arms"] == ["left", "right"]
    assert bench_list({"visits": [visit]}, tables, week=MONDAY + timedelta(days=7)) == []
    (row,) = bench_list(
        {"visits": [visit]}, tables | {"places": tables["places"].clear()}, week=week
    )
    assert row["lacks"] == ["place not named: standard gravity, good to 0.3 %"]
    two = [{"bench_id": "A", "mass_kg": 20.0}, {"bench_id": "B", "mass_kg": 25.0}]
    hung = {"session_id": "S", "meter_id": "FS-01", "load": "mass", "torque_nm": 34.0}
    hung |= {"measured_at": "2026-02-01T09:00:00Z", "bench_id": "B", "place_id": "shed"}
    places = [{"place_id": name, "gravity_ms2": 9.8} for name in ("moor", "shed")]
    tables |= {
        "mass_sets": table("mass_sets", *two),
        "places": table("places", *places),
        "bench": table("bench", hung),
    }
    (row,) = bench_list({"visits": [visit]}, tables, week=week)
    assert (row["bench_id"], row["place_id"]) == ("B", "shed")  # as hung last
