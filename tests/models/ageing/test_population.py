"""The drift table: known truth by simulation (bias and coverage), start-up cases, reasons."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from models.ageing import drift_table
from models.ageing.population import DRIFT_SCHEMA
from models.fleet.alarms.noise import _usual as usual_noise
from models.fleet.inference import FEW_DOF
from models.records import slope_chain
from tests.models.ageing.drifting_fleet import TODAY, Drifting, frames


def table_of(meters, sessions, swaps, today=TODAY):
    return drift_table(sessions, slope_chain(meters, sessions), meters, swaps, today=today)


def test_coverage_and_bias_on_simulated_groups():
    """30 groups of 15 meters: the 90 % intervals cover at least 77 %, no bias over 3 errors."""
    rng = np.random.default_rng(11)
    truth = Drifting(15)
    found = pl.concat([table_of(*frames(truth, rng)) for _ in range(30)])
    for name, true in (("drift", truth.drift), ("swap", truth.swap)):
        value = found[f"{name}_pct_per_year" if name == "drift" else f"{name}_pct"]
        covered = (found[f"{name}_lo90"] <= true) & (found[f"{name}_hi90"] >= true)
        assert covered.mean() >= 0.77
        assert abs(value.mean() - true) < 3 * value.std() / np.sqrt(30)
    assert (found["method"] == "mixed").mean() > 0.9
    assert found["sd_drift_pct_per_year"].median() == pytest.approx(truth.sd_drift, abs=0.1)
    assert found["sd_sensitivity_pct"].median() == pytest.approx(1.0, abs=0.25)


def test_resets_do_not_hide_the_drift():
    """Meters are reset at every third visit: found errors stay put, the sensitivity rises."""
    rng = np.random.default_rng(12)
    meters, sessions, swaps = frames(Drifting(30, drift=1.5, sd_drift=0.1), rng)
    assert sessions["slope_after"].is_not_null().mean() > 0.25
    assert sessions["gain_error_ln"].mean() < 1.0
    row = table_of(meters, sessions, swaps).row(0, named=True)
    assert row["drift_lo90"] < 1.5 < row["drift_hi90"]
    assert row["drift_lo90"] > 1.0


def test_without_a_spread_of_drift_the_prior_takes_over_and_says_so():
    """Two sessions a meter and no spread of drift: REML is often on its boundary."""
    methods = set()
    for seed in range(5):
        rng = np.random.default_rng(seed)
        truth = Drifting(8, sd_drift=0.0, sd_swap=0.0, most_sessions=3, extra=0.0)
        row = table_of(*frames(truth, rng)).row(0, named=True)
        methods.add(row["method"])
        if row["method"] == "prior":
            assert row["reason"].endswith("estimated with weak priors.")
        else:
            assert row["reason"] is None
        assert row["drift_lo90"] < row["drift_pct_per_year"] < row["drift_hi90"]
    assert "prior" in methods


def test_one_number_says_how_few_meters_tell_nothing_of_the_others():
    """Five meters teach how unlike meters are in drift and in noise; four are lent the usual."""
    rng = np.random.default_rng(23)
    for n, learned in ((4, False), (5, True)):
        meters, sessions, swaps = frames(Drifting(n, walk=0.0, most_sessions=6), rng)
        table = table_of(meters, sessions, swaps.clear())
        few = table["reason"].fill_null("").str.contains("needs 5").item()
        assert few is not learned
        worth = usual_noise(np.linspace(0.5, 3.0, n) ** 2, np.full(n, 40.0))[1]
        assert (worth != FEW_DOF) is learned


def test_one_meter_with_one_session_is_wide_not_wrong():
    rng = np.random.default_rng(13)
    meters, sessions, swaps = frames(Drifting(1), rng)
    row = table_of(meters, sessions.head(1), swaps).row(0, named=True)
    assert row["method"] == "prior"
    assert row["reason"].startswith("0 meters with two sessions or more")
    assert row["drift_hi90"] - row["drift_lo90"] > 2
    assert (row["swap_pct"], row["swap_lo90"]) == (None, None)


def test_a_group_never_benched_keeps_its_row():
    rng = np.random.default_rng(14)
    meters, sessions, swaps = frames(Drifting(6), rng)
    spare = meters.head(1).with_columns(
        meter_id=pl.lit("new"), model_group=pl.lit(None, dtype=pl.String), kind=pl.lit("hub")
    )
    table = table_of(pl.concat([meters, spare]), sessions, swaps)
    assert table.schema == pl.Schema(DRIFT_SCHEMA)
    assert table["model_group"].to_list() == ["A", "hub"]
    row = table.row(1, named=True)
    assert (row["n_meters"], row["n_sessions"]) == (0, 0)
    assert row["reason"] == "No bench session: only the prior."
    assert row["drift_lo90"] < -1 < 1 < row["drift_hi90"]


def test_later_sessions_are_not_known_yet():
    rng = np.random.default_rng(15)
    meters, sessions, swaps = frames(Drifting(10), rng)
    day = date(2024, 9, 1)
    early = sessions.filter(pl.col("measured_at").dt.date() <= day)
    assert 0 < early.height < sessions.height
    assert table_of(meters, sessions, swaps, today=day).equals(table_of(meters, early, swaps))


def test_swaps_in_step_with_age_are_not_told_apart():
    """One swap before every session and sessions a year apart: only their sum is known."""
    rng = np.random.default_rng(16)
    meters, sessions, swaps = frames(Drifting(6, most_sessions=4), rng)
    start = meters.select("meter_id", "in_service_date")
    years = pl.DataFrame({"n": [0, 1, 2]})
    at = pl.col("in_service_date").dt.offset_by(pl.format("{}d", pl.col("n") * 365))
    grid = start.join(years, how="cross").with_columns(date=at)
    sessions = grid.select(
        session_id=pl.format("{}-{}", "meter_id", "n"),
        meter_id="meter_id",
        measured_at=pl.col("date").cast(pl.Datetime("us", "UTC")).dt.offset_by("12h"),
        gain_error_ln=pl.Series(rng.normal(0, 1, grid.height)),
        u_session_pct=pl.lit(0.15),
    )
    swaps = grid.filter(pl.col("n") > 0).select("meter_id", "date")
    row = table_of(meters, sessions, swaps).row(0, named=True)
    assert row["method"] == "prior"
    assert row["reason"].startswith("Age and battery swaps go in step")
    assert row["u_swap_pct"] > 0.3


def test_sessions_before_a_step_nobody_knows_are_left_out():
    rng = np.random.default_rng(17)
    meters, sessions, swaps = frames(Drifting(6), rng)
    first = sessions.filter(pl.col("meter_id") == "M000").sort("measured_at")["session_id"][0]
    unknown = meters.with_columns(
        factory_slope=pl.when(pl.col("meter_id") != "M000").then("factory_slope")
    )
    hit = pl.col("session_id") == first
    cut = sessions.with_columns(
        slope_before=pl.when(pl.col("meter_id") != "M000").then("slope_before"),
        slope_after=pl.when(hit).then(20.0).otherwise("slope_after"),
    )
    row = table_of(unknown, cut, swaps).row(0, named=True)
    assert row["n_sessions"] == sessions.height - 1
