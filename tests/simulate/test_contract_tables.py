"""The tables of a simulated fleet say what its frames say, by arithmetic done here anew."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.simulate.contract_tables import contract_frames, write_contract_tables
from tests.simulate.fleets import SCENARIOS, Fleet, simulate_fleet


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return simulate_fleet(replace(SCENARIOS["awkward"], n_meters=20, wrong_entries=3), 7)


def test_readings_give_the_found_value(fleet: Fleet) -> None:
    tables = contract_frames(fleet)
    gravity = dict(tables["places"].iter_rows())
    found = dict(fleet.frames["bench"].select("session_id", "found").iter_rows())
    for (session_id,), rows in tables["bench"].group_by("session_id", maintain_order=True):
        zero = rows.filter(pl.col("load") == "zero")["torque_nm"].to_numpy().mean()
        mass = rows.filter(pl.col("load") == "mass")
        g = gravity[mass["place_id"][0]] or 9.80665
        expected = 20.35 * g * mass["crank_length_mm"][0] / 1000 * (1 - 1.2 / 8000)
        error = 100 * math.log((mass["torque_nm"].to_numpy().mean() - zero) / expected)
        assert error == pytest.approx(found[session_id], abs=0.01)


def test_wrong_entries_are_entered_as_170(fleet: Fleet) -> None:
    bench = contract_frames(fleet)["bench"]
    lengths = dict(bench.group_by("session_id").agg(pl.col("crank_length_mm").first()).iter_rows())
    wrong = {w.session_id for w in fleet.truth.wrong_entries}
    assert wrong
    assert {s for s, length in lengths.items() if length == 170} == wrong
    assert {length for s, length in lengths.items() if s not in wrong} == {172.5}


def test_steps_give_the_ratio_and_its_uncertainty(fleet: Fleet) -> None:
    steps = contract_frames(fleet)["comparisons"]
    rides = {r["comparison_id"]: r for r in fleet.frames["comparisons"].iter_rows(named=True)}
    for (ride_id,), rows in steps.group_by("comparison_id", maintain_order=True):
        omega = rows["cadence_rpm"].to_numpy() * 2 * math.pi / 60
        X = np.column_stack([rows["reference_w"].to_numpy(), omega])
        y = rows["meter_w"].to_numpy()
        inverse = np.linalg.inv(X.T @ X)
        beta = inverse @ (X.T @ y)
        s2 = float(np.sum((y - X @ beta) ** 2)) / (len(y) - 2)
        assert 100 * math.log(beta[0]) == pytest.approx(rides[ride_id]["ratio"], abs=0.01)
        u = 100 * math.sqrt(s2 * inverse[0, 0]) / beta[0]
        assert u == pytest.approx(rides[ride_id]["u"], rel=0.05)


def test_slopes_chain_but_for_unrecorded_resets(fleet: Fleet) -> None:
    """A slope_before unlike the last slope_after occurs once for every unrecorded reset."""
    sessions = contract_frames(fleet)["bench"].unique("session_id").sort("meter_id", "measured_at")
    left: dict[str, float] = {}
    breaks = []
    for row in sessions.iter_rows(named=True):
        meter_id = row["meter_id"]
        if meter_id in left and left[meter_id] != row["slope_before"]:
            breaks.append(meter_id)
        left[meter_id] = row["slope_after"] or row["slope_before"]
    assert sorted(breaks) == sorted(
        u.meter_id for u in fleet.truth.unrecorded if u.meter_id in breaks
    )
    assert len(breaks) >= 1


def test_files_are_written(fleet: Fleet, tmp_path: Path) -> None:
    paths = write_contract_tables(fleet, tmp_path, installations=True)
    names = {p.stem for p in paths}
    assert names >= {"meters", "bench", "comparisons", "events", "installations", "mass_sets"}
    assert (tmp_path / "bench.csv").read_text().startswith("session_id,meter_id,measured_at")
