"""The simulator and the oracle are themselves checked, on cases small enough for paper."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from tests.simulate.fleets import (
    SCENARIOS,
    WRONG_CRANK,
    Fleet,
    FleetOptions,
    Group,
    simulate_fleet,
    varied,
)
from tests.simulate.oracle import EVERYTHING, Told, exact_estimates, score

STILL = Group("still", drift_sd=0, battery_step_sd=0, walk=0, level_sd=1.0)
QUIET = FleetOptions(
    n_meters=1, years=2, groups=(STILL,), bench_u=(0.0,), place_u=(0.0,), crank_u=0.0,
    session_u=0.5, session_u_spread=0, session_extra=0, ride_u=0.4, ride_u_spread=0,
    ride_extra=0, late_entry=0, early_exit=0, crank_moves=0, reset_limit=99,
    trainer_level_sd=0, trainer_walk=0, n_trainers=1, pair_sd=0,
)  # fmt: skip


def _bare(fleet: Fleet, sessions: int, rides: int) -> Fleet:
    frames = fleet.frames | {
        "bench": fleet.frames["bench"].head(sessions),
        "comparisons": fleet.frames["comparisons"].head(rides),
    }
    return replace(fleet, frames=frames)


def test_same_seed_same_fleet() -> None:
    one, two = (simulate_fleet(SCENARIOS["awkward"], 5) for _ in range(2))
    for name, frame in one.frames.items():
        assert_frame_equal(frame, two.frames[name])
    assert one.gain_errors_pct(one.today) == two.gain_errors_pct(two.today)


def test_one_session_shrinks_as_on_paper() -> None:
    """Prior sd 1, reading sd 0.5: mean 0.8 of the reading, sd sqrt(1 * 0.25 / 1.25)."""
    fleet = _bare(simulate_fleet(QUIET, 3), 1, 0)
    best = exact_estimates(fleet)
    assert best["gain_error"][0] == pytest.approx(0.8 * fleet.frames["bench"]["found"][0])
    assert best["sd"][0] == pytest.approx(math.sqrt(0.2))


def test_a_lone_trainer_tells_nothing_of_the_level() -> None:
    """A ride beside a trainer of unknown level leaves the prior as it was, all but 1/900."""
    best = exact_estimates(_bare(simulate_fleet(QUIET, 3), 0, 1))
    assert best["sd"][0] == pytest.approx(1.0, rel=1e-3)


def test_ride_after_ride_measures_a_step() -> None:
    """Bench (sd 0.5) and two rides, one before and one after a reset by p.

    The trainer's level is learnt from the first ride, so the reset's step is known and the
    second ride adds nothing about the sensor but through the noise: three equations,
    solved here as weighted least squares with the prior as a fourth.
    """
    fleet = _bare(simulate_fleet(QUIET, 4), 1, 2)
    meter = next(iter(fleet.truth.meters.values()))
    first, second = fleet.frames["comparisons"]["at"].to_list()
    middle = (fleet.day_of(first) + fleet.day_of(second)) / 2
    meter.resets.append((middle, 0.7))
    y1, y2 = fleet.frames["comparisons"]["ratio"].to_list()
    found = fleet.frames["bench"]["found"][0]
    early = fleet.day_of(fleet.frames["bench"]["at"][0]) < middle
    p_bench = 0.0 if early else 0.7
    design = np.array([[1, 0], [1, 0], [1, -1], [1, -1], [0, 1]], float)
    values = np.array([0, found + p_bench, y1, y2 + 0.7, 0])
    weights = 1 / np.array([1.0, 0.25, 0.16, 0.16, 900.0])
    normal = np.linalg.inv(design.T @ (weights[:, None] * design))
    sensor = (normal @ (design.T @ (weights * values)))[0]
    best = exact_estimates(fleet)
    assert best["gain_error"][0] == pytest.approx(sensor - 0.7, abs=1e-9)
    assert best["sd"][0] == pytest.approx(math.sqrt(normal[0, 0]), abs=1e-9)


def test_found_is_truth_plus_the_stated_parts() -> None:
    fleet = simulate_fleet(replace(SCENARIOS["awkward"], n_meters=60), 2)
    truth = fleet.truth
    wrong = {w.session_id: w.size for w in truth.wrong_entries}
    z = []
    for row in fleet.frames["bench"].iter_rows(named=True):
        meter = truth.meters[row["meter_id"]]
        shared = truth.benches[row["bench_id"]] + truth.places[row["place_id"]]
        shared += truth.cranks[row["crank_id"]] + wrong.get(row["session_id"], 0.0)
        left = row["found"] - shared - meter.gain_error(fleet.day_of(row["at"]))
        z.append(left / truth.session_noise[row["session_id"]])
    assert len(wrong) >= 4
    assert set(wrong.values()) == {WRONG_CRANK}
    assert np.std(z) == pytest.approx(1, abs=0.1)
    assert np.mean(z) == pytest.approx(0, abs=0.15)


def test_the_oracle_covers_what_it_claims() -> None:
    """Exact inference: 90 % intervals hold 90 %, within three binomial sd, whatever the draw."""
    inside = n = 0
    for seed in range(30):
        options = varied(replace(SCENARIOS["awkward"], n_meters=20, years=1.5, strikes=2), seed)
        fleet = simulate_fleet(options, seed)
        best = exact_estimates(fleet, told=EVERYTHING)
        scored = score(best, fleet, best)
        inside, n = inside + scored.inside90, n + scored.n
        assert scored.ratio == pytest.approx(1)
    assert inside / n == pytest.approx(0.9, abs=3 * math.sqrt(0.09 / n) * 1.5)


def test_being_told_helps() -> None:
    fleet = simulate_fleet(replace(SCENARIOS["awkward"], n_meters=40), 1)
    told = exact_estimates(fleet, told=EVERYTHING)
    untold = exact_estimates(fleet, told=Told())
    assert score(untold, fleet, told).ratio > 1.2


def test_no_look_ahead() -> None:
    """An estimate for an earlier day is the same with later data cut off."""
    fleet = simulate_fleet(replace(SCENARIOS["usual"], n_meters=12), 1)
    day = 400.0
    cut = pl.col("at") <= fleet.options.first_day + pl.duration(days=400)
    early = replace(fleet, frames=fleet.frames | {
        name: fleet.frames[name].filter(cut) for name in ("bench", "comparisons")})  # fmt: skip
    assert_frame_equal(exact_estimates(fleet, at=day), exact_estimates(early, at=day))
