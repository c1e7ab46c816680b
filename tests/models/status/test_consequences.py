"""Notices, race eve and what a finding puts in doubt, on a simulated team."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.coaching import notice_frame, notices, race_eve
from models.doubts import affected_rides
from models.fleet import Effect, FleetFit, alarm_year
from models.metrology import date_of
from tests.models.fleet.small_team import empty_tables, small_team, table

ALARMS = {"device_kind": pl.String, "device_id": pl.String, "kind": pl.String, "date": pl.Date}


@pytest.fixture(scope="module")
def team() -> tuple[Any, FleetFit]:
    return small_team(3)


def reset(meter: str, day: date, step: float, *, recorded: bool = True) -> dict[str, Any]:
    at = datetime.combine(day, time(12), UTC)
    return {
        "meter_id": meter, "at": at, "step_pct": step, "recorded": recorded,
        "slope_after": 20.0,
        "earliest": at - timedelta(days=9), "latest": at,
    }  # fmt: skip


def test_a_reset_tells_the_coach(team: tuple[Any, FleetFit]) -> None:
    found, fitted = team
    meter, day = found.meters["meter_id"][0], date(2024, 9, 3)
    tables = empty_tables()
    tables["riders"] = table("riders", {"rider_id": "Aldo", "coach": "Halina"})
    tables["assignments"] = table(
        "assignments",
        {"meter_id": meter, "from_date": day - timedelta(days=90), "rider_id": "Aldo"},
    )
    resets = pl.DataFrame([reset(meter, day, -2.1), reset(meter, day - timedelta(days=400), 1.0)])
    told = notices(fitted, tables, resets, first=day - timedelta(days=5), last=day)
    assert len(told) == 1
    assert (told[0]["coach"], told[0]["rider_id"], told[0]["kind"]) == ("Halina", "Aldo", "reset")
    assert told[0]["text"].startswith(
        "From Tuesday 3 September 2024 the same effort shows 2.1 % less"
    )
    again = notices(fitted, tables, resets, first=day, last=day + timedelta(days=5))
    assert again[0]["notice_id"] == told[0]["notice_id"]
    hidden = pl.DataFrame([reset(meter, day, 0.8, recorded=False)])
    assert "nobody noted it" in notices(fitted, tables, hidden, first=day, last=day)[0]["text"]


def test_another_meter_under_a_rider_carries_the_joint_uncertainty(
    team: tuple[Any, FleetFit],
) -> None:
    """By hand from the joint posterior of both meters on the day."""
    found, fitted = team
    old, new = found.meters["meter_id"][1], found.meters["meter_id"][2]
    day = found.as_of - timedelta(days=10)
    tables = empty_tables()
    tables["assignments"] = table(
        "assignments",
        {
            "meter_id": old,
            "from_date": date(2023, 6, 1),
            "to_date": day,
            "rider_id": "Bruna",
            "role": "race",
        },
        {"meter_id": new, "from_date": day, "rider_id": "Bruna", "role": "race"},
    )
    none = pl.DataFrame([reset("M", day, 0.0)])
    told = notices(fitted, tables, none, first=day, last=found.as_of)
    assert [row["kind"] for row in told if row["kind"] == "meter"] == ["meter"]
    row = next(row for row in told if row["kind"] == "meter")
    mean, cov = fitted.joint([(old, day), (new, day)])
    sd = np.sqrt(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1])
    ends = [100 * np.expm1((mean[1] - mean[0] + s * 1.644854 * sd) / 100) for s in (-1, 1)]
    assert row["interval90_pct"] == pytest.approx(ends, rel=1e-4)


def test_an_unrecorded_step_and_a_jump_of_the_zero_reach_whoever_rode_then(
    team: tuple[Any, FleetFit],
) -> None:
    found, fitted = team
    meter = found.meters["meter_id"][0]
    since, at = date(2024, 2, 25), date(2024, 4, 20)
    step = Effect("step", "meter", meter, at=_years(at), since=_years(since))
    alarm = {
        "device_kind": "meter", "device_id": meter, "kind": "step", "date": None,
        "size_pct": -2.7, "size_sd_pct": 0.4, "text": "…",
    }  # fmt: skip
    days = {"date": date_of(alarm_year(step)), "earliest": since, "latest": at}
    alarmed = replace(
        fitted,
        effects=[step],
        alarms=pl.DataFrame([alarm | days], schema_overrides=ALARMS),
    )
    tables = empty_tables()
    tables["assignments"] = table(
        "assignments",
        {"meter_id": meter, "from_date": date(2023, 1, 1), "to_date": since - timedelta(days=1),
         "rider_id": "Before"},
        {"meter_id": meter, "from_date": since, "to_date": at, "rider_id": "During"},
        {"meter_id": meter, "from_date": at + timedelta(days=5), "rider_id": "After"},
    )  # fmt: skip
    jumps = [
        {"meter_id": meter, "before": _noon(a), "at": _noon(b), "size": 0.54, "sd": 0.03,
         "unit": "N·m", "text": "…", "short": None}
        for a, b in ((since, at), (since - timedelta(days=9), since - timedelta(days=1)))
    ]  # fmt: skip
    told = notices(
        alarmed, tables, pl.DataFrame([reset(meter, at, 0.0)]),
        first=date(2024, 1, 1), last=found.as_of, zero_steps=pl.DataFrame(jumps),
    )  # fmt: skip
    assert [(row["kind"], row["rider_id"]) for row in told] == [
        ("step", "During"),  # one blow, one notice: the zero's jump of the same days is in it
        ("zero", "Before"),
    ]
    rows = {row["kind"]: row for row in told}
    assert "its zero by +0.54 N·m, worth 5 W" in rows["step"]["text"]
    assert "2.7 % less" in rows["step"]["text"]
    assert "2024-02-25 and 2024-04-20" in rows["step"]["text"]
    ends = [100 * np.expm1(np.log1p(-0.027) + s * 1.644854 * 0.004) for s in (-1, 1)]
    assert rows["step"]["interval90_pct"] == pytest.approx(ends, rel=1e-5)
    assert "worth 5 W at 90 rpm" in rows["zero"]["text"]  # 0.54 N·m × 9.425 rad/s
    assert rows["zero"]["interval90_pct"] == [None, None]
    assert notice_frame(told).height == 2


def _noon(day: date) -> datetime:
    return datetime.combine(day, time(12), UTC)


def _years(day: date) -> float:
    return ((day - date(1970, 1, 1)).days + 0.5) / 365.25


def eve(team: tuple[Any, FleetFit], **alarm: Any) -> tuple[str, list[dict[str, Any]]]:
    found, fitted = team
    mean, _ = fitted.forecast(found.as_of, np.array([0.0]))
    worst = int(np.argmax(np.abs(mean[:, 0])))
    meter = found.meters["meter_id"][worst]
    meters = found.meters.with_columns(
        tolerance_pct=pl.when(pl.col("meter_id") == meter).then(0.1).otherwise(4.0),
        kind=pl.lit("crank_spider"),
        crank_length_mm=pl.lit(172.5),
    )
    race = found.as_of + timedelta(days=1)
    tables = empty_tables()
    tables["calendar"] = table(
        "calendar",
        {
            "name": "Weir",
            "from_date": race,
            "to_date": race,
            "kind": "race",
            "priority": "A",
            "rider_id": "Aldo",
        },
    )
    others = [m for m in found.meters["meter_id"] if m != meter]
    tables["assignments"] = table(
        "assignments",
        {"meter_id": meter, "from_date": date(2023, 2, 1), "rider_id": "Aldo", "role": "race"},
        *({"meter_id": m, "from_date": date(2023, 2, 1)} for m in others),
    )
    rows = [alarm | {"device_kind": "meter", "device_id": meter}] if alarm else []
    alarms = pl.DataFrame(rows, schema=ALARMS)
    mean, sd = fitted.gain_error(meters["meter_id"].to_list(), found.as_of)
    mean_pct = 100 * np.expm1(mean / 100)
    errors_pct = mean_pct, sd * (1 + mean_pct / 100)
    return meter, race_eve(meters, errors_pct, tables, alarms, today=found.as_of)


def test_a_slow_drift_before_a_race_is_translated(team: tuple[Any, FleetFit]) -> None:
    """By hand: 300 W true are 300 · exp(e/100) W shown."""
    meter, rows = eve(team)
    assert [row["meter_id"] for row in rows] == [meter]
    assert rows[0]["cause"] == "drift"
    (option,) = rows[0]["options"]
    mean, _ = team[1].gain_error(meter, team[0].as_of)
    assert option["shown_w"] == pytest.approx(300 * np.exp(float(mean[0]) / 100))
    assert "firmware" in rows[0]["never"]


def test_a_sudden_step_before_a_race_wants_another_meter(team: tuple[Any, FleetFit]) -> None:
    found, _ = team
    meter, rows = eve(team, kind="step", date=found.as_of - timedelta(days=5))
    assert rows[0]["cause"] == "step"
    stand_ins = [o for o in rows[0]["options"] if "ten minutes" in o["do"]]
    assert stand_ins
    assert all(o["meter_id"] != meter and o["p_within_tolerance"] >= 0.9 for o in stand_ins)
    _, rows = eve(team, kind="step", date=found.as_of - timedelta(days=200))
    assert rows[0]["cause"] == "drift"


def test_what_a_finding_puts_in_doubt(team: tuple[Any, FleetFit]) -> None:
    found, fitted = team
    sessions = found.sessions.with_columns(slope_after=pl.lit(None, dtype=pl.Float64))
    counts = sessions.group_by("meter_id").len().sort("len", "meter_id")
    meter = counts["meter_id"][-1]
    own = sessions.filter(pl.col("meter_id") == meter).sort("measured_at")
    k, limit = own.height - 1, 1.0
    last = pl.col("session_id") == own["session_id"][k]
    sessions = sessions.with_columns(
        gain_error_pct=pl.when(last).then(2.0).otherwise(0.2),
        arm_difference_pct=pl.when(last).then(4.0).otherwise(0.0),
        side_half_ln=pl.lit(None, dtype=pl.Float64),
    )
    days = own["measured_at"].dt.date().to_list()
    between = days[k - 1] + (days[k] - days[k - 1]) / 2
    tables = empty_tables()
    tables["efforts"] = table(
        "efforts",
        {"rider_id": "Aldo", "date": between, "watts": 300.0, "meter_id": meter},
        {
            "rider_id": "Aldo",
            "date": days[k] + timedelta(days=1),
            "watts": 300.0,
            "meter_id": meter,
        },
    )
    tables["assignments"] = table(
        "assignments", {"meter_id": meter, "from_date": days[0], "rider_id": "Aldo"}
    )
    tables["comparisons"] = tables["comparisons"].with_columns(
        measured_at=pl.lit(None, dtype=pl.Datetime("us", "UTC"))
    )
    rows = affected_rides(
        fitted, sessions, tables, meter_id=meter, tolerance_pct=limit, since=days[0]
    )
    row = next(row for row in rows if row["found_on"] == days[k])
    assert row["last_good_on"] == days[k - 1]
    assert [e["date"] for e in row["efforts"]] == [between]
    mean, _ = fitted.gain_error(meter, datetime.combine(between, time(12), UTC))
    corrected = 300 * np.exp(-float(mean[0]) / 100)
    assert row["efforts"][0]["corrected_w"] == pytest.approx(corrected)
    assert {r["rider_id"] for r in row["riders"]} == {"Aldo"}
    pair = sessions.with_columns(gain_error_pct=pl.lit(0.1), side_half_ln=pl.lit(0.0))
    both = affected_rides(fitted, pair, tables, meter_id=meter, tolerance_pct=limit, since=days[0])
    (found_out,) = both  # its mean was never out, its sides were: +2.1 and −1.9 %
    assert (found_out["found_on"], found_out["last_good_on"]) == (days[k], days[k - 1])
    assert "left +2.1 %, right -1.9 %" in found_out["text"]
    halfway = found_out["efforts"][0]["p_out_of_tolerance"]  # sides about one apart by then
    assert halfway > row["efforts"][0]["p_out_of_tolerance"]
