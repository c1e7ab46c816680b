"""Notices, affected rides, warranty and group table on a small simulated team."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.ageing import group_table
from models.budget import sensor_excess, warranty_report
from models.budget.claims import closing_claims
from models.coaching import notices
from models.doubts import affected_rides
from models.fleet import FleetFit
from models.records import programmed
from models.run.known.pipeline import drift_by_group
from tests.models.fleet.small_team import empty_tables, small_team, table


@pytest.fixture(scope="module")
def team() -> tuple[Any, FleetFit]:
    return small_team(3)


def told(team: tuple[Any, FleetFit], tables: dict[str, pl.DataFrame]) -> list[dict[str, Any]]:
    found, fitted = team
    first = found.as_of - timedelta(days=700)
    return notices(fitted, tables, found.resets, first=first, last=found.as_of)


def test_every_reset_is_told_with_its_own_step(team: tuple[Any, FleetFit]) -> None:
    found, _ = team
    resets = found.resets
    rows = told(team, empty_tables())
    since = pl.col("at").dt.date() >= found.as_of - timedelta(days=700)
    big = resets.filter((pl.col("step_pct").abs() >= 0.05) & since)
    assert big.height > 3
    assert len(rows) == big.height
    assert len({row["notice_id"] for row in rows}) == len(rows)
    assert sorted(row["change_pct"] for row in rows) == pytest.approx(sorted(big["step_pct"]))
    for row in rows:
        assert ("more" if row["change_pct"] > 0 else "less") in row["text"]


def test_another_meter_is_told_with_the_joint_difference(team: tuple[Any, FleetFit]) -> None:
    found, fitted = team
    old, new = found.meters["meter_id"][0], found.meters["meter_id"][1]
    day = found.as_of - timedelta(days=30)
    tables = empty_tables() | {
        "assignments": table(
            "assignments",
            {"meter_id": old, "from_date": day - timedelta(days=90), "rider_id": "R1",
             "to_date": day - timedelta(days=1), "role": "race"},
            {"meter_id": new, "from_date": day, "rider_id": "R1", "role": "race"},
        ),
        "riders": table("riders", {"rider_id": "R1", "coach": "Halina"}),
    }  # fmt: skip
    [row] = [
        r for r in told(team, tables | {"events": empty_tables()["events"]}) if r["kind"] == "meter"
    ]
    mean, cov = fitted.joint([(("meter", old), day), (("meter", new), day)])
    assert row["change_pct"] == pytest.approx(100 * np.expm1((mean[1] - mean[0]) / 100))
    sd = np.sqrt(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1])
    low, high = row["interval90_pct"]
    assert np.log((1 + high / 100) / (1 + low / 100)) == pytest.approx(
        2 * 1.6449 * sd / 100, rel=1e-3
    )
    assert (row["coach"], row["from_date"]) == ("Halina", day)


def test_the_sensor_is_judged_without_the_users_resets(team: tuple[Any, FleetFit]) -> None:
    """The error at the factory slope is today's error plus what was programmed, by `programmed`."""
    found, fitted = team
    meters = found.meters.with_columns(
        stated_accuracy_pct=pl.lit(1.0), warranty_until=pl.lit(found.as_of + timedelta(days=50))
    )
    rows = {
        r["meter_id"]: r for r in sensor_excess(fitted, meters, found.resets, today=found.as_of)
    }
    late = pl.DataFrame({"meter_id": list(rows)}).with_columns(
        at=pl.lit(found.as_of + timedelta(days=1)).cast(pl.Datetime("us", "UTC"))
    )
    p = dict(programmed(found.resets, late).select("meter_id", "p_after").iter_rows())
    assert any(abs(value) > 0.5 for value in p.values())
    for name, row in rows.items():
        mean, _ = fitted.gain_error(("meter", name), found.as_of)
        assert row["factory_slope_error_pct"] == pytest.approx(
            100 * np.expm1((float(mean[0]) + p[name]) / 100), abs=1e-6
        )
        assert row["days_left"] == 50
    claims = closing_claims(list(rows.values()))
    assert {c["meter_id"] for c in claims} == {
        n for n, r in rows.items() if r["p_exceeds_stated"] >= 0.8
    }
    assert closing_claims([r | {"days_left": 200} for r in rows.values()]) == []


def test_affected_rides_reach_back_to_the_last_good_session(team: tuple[Any, FleetFit]) -> None:
    found, fitted = team
    name = found.sessions.group_by("meter_id").len().sort("len", "meter_id")["meter_id"][-1]
    own = found.sessions.filter(pl.col("meter_id") == name).sort("measured_at")
    limit = float(own["gain_error_pct"].abs().sort()[-2])  # only the worst session is beyond
    absent = ("slope_after", "arm_difference_pct", "side_half_ln")  # no pair, never reset
    sessions = own.with_columns(pl.lit(None, dtype=pl.Float64).alias(column) for column in absent)
    worst = own.sort(pl.col("gain_error_pct").abs())[-1]
    day = worst["measured_at"].item().date()
    efforts = [
        {"rider_id": "R1", "date": day + timedelta(days=d), "watts": 300.0, "meter_id": name}
        for d in (-1, 1)
    ]
    rides = found.data.comparisons.rename({"at": "measured_at"})
    tables = empty_tables() | {"efforts": table("efforts", *efforts), "comparisons": rides}
    rows = affected_rides(
        fitted, sessions, tables, meter_id=name, tolerance_pct=limit, since=date(2000, 1, 1)
    )
    [row] = rows
    earlier = own.filter(pl.col("measured_at") < worst["measured_at"].item())
    expected = None if earlier.is_empty() else earlier["measured_at"][-1].date()
    assert (row["session_id"], row["last_good_on"]) == (worst["session_id"].item(), expected)
    assert [e["date"] for e in row["efforts"]] == [day - timedelta(days=1)]
    assert 0 <= row["efforts"][0]["p_out_of_tolerance"] <= 1


def test_the_group_table_counts_what_was_found_out(team: tuple[Any, FleetFit]) -> None:
    found, _ = team
    sessions, meters = found.sessions, found.meters
    rows = group_table(sessions, meters, drift_by_group(found), today=found.as_of, target=0.9)
    out = sessions.join(meters.select("meter_id", "group"), on="meter_id").filter(
        pl.col("gain_error_pct").abs() > 1.5
    )
    counted = dict(out.group_by("group").len().iter_rows())
    assert {row["group"]: row["found_out"] for row in rows} == {
        name: counted.get(name, 0) for name in meters["group"].unique()
    }
    assert sum(row["sessions"] for row in rows) == sessions.height
    for row in rows:
        low, high = row["out_share_interval90"]
        assert low <= (row["out_share"] or 0.0) <= high


def test_a_warranty_report_says_what_it_lacks() -> None:
    excess = {
        "meter_id": "K1", "warranty_until": None, "days_left": None, "stated_accuracy_pct": None,
        "factory_slope_error_pct": 1.0, "interval90_pct": [0.5, 1.5], "p_exceeds_stated": None,
    }  # fmt: skip
    names = ("serial_number", "group", "kind", "in_service_on", "purchase_date", "purchase_cost")
    meter = pl.DataFrame(dict.fromkeys(names) | {"meter_id": "K1"})
    columns = (
        *("session_id", "expanded_uncertainty_pct", "coverage_factor", "temperature_c"),
        *("bench_id", "technician", "slope_before", "slope_after", "zero_offset_nm"),
    )
    sessions = pl.DataFrame(
        schema={"meter_id": pl.String, "measured_at": pl.Datetime("us", "UTC"),
                "gain_error_pct": pl.Float64} | dict.fromkeys(columns, pl.String)
    )  # fmt: skip
    report = warranty_report(
        excess, meter, sessions, events=table("events"), today=date(2026, 1, 1)
    )
    assert len(report["lacks"]) == 4
    assert report["text"].startswith("At the slope it was delivered with, K1 reads +1.0 % off")
