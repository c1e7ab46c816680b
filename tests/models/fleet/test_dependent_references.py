"""Mass sets that one scale weighed: their common error does not average out."""

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from models.fleet import FleetData, FleetFit, FleetSettings, fit
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleets import SCENARIOS, simulate_fleet

U = 0.2
STILL = {**dict.fromkeys(("drift", "walk", "swap", "tie"), 0.0), "start": 5.0}
ALONE = FleetSettings(priors=None, fixed=STILL, robust=False, alarms=False)


ONE = pl.DataFrame({"meter_id": ["m"], "group": "g", "in_service_on": date(2024, 1, 1)})


def hung(sets: list[str], seed: int, **more: object) -> pl.DataFrame:
    """One meter's sessions of a day on sets known to U, nothing else in the way."""
    n = len(sets)
    return pl.DataFrame(
        {
            "session_id": [f"s{i}" for i in range(n)],
            "meter_id": "m",
            "at": [date(2024, 2, 1)] * n,
            "bench_id": sets,
            "found": np.random.default_rng(seed).normal(0, 0.03, n),
            "u_session": 0.0,
            "u_bench": U,
            **more,
        }
    )


def one_meter(n_sets: int, *, scale: str | None, source: str) -> FleetFit:
    """A meter hung again and again on n sets known to 0.2 % each, nothing else in the way."""
    sets = [f"set-{i}" for i in range(n_sets)] * 6
    data = FleetData(
        meters=ONE,
        bench=hung(sets, 9),
        benches=pl.DataFrame(
            {"bench_id": sets[:n_sets], "u_pct": U, "source": source, "weighed_on": scale},
            schema_overrides={"weighed_on": pl.String},
        ),
    )
    return fit(data, today=date(2024, 2, 1), settings=ALONE)


@pytest.mark.parametrize(
    ("scale", "source", "common"),
    [(None, "weighed", 0.0), ("scale", "weighed", 0.9), ("laboratory", "certificate", 0.5)],
)
def test_ten_sets_from_one_scale_know_little_more_than_one(scale, source, common):
    """u·√(ρ + (1 − ρ)/n), as for ten resistors calibrated against one standard: with all of it
    common ten know no more than one (1 Ω of 10 kΩ), not √10 times as much (0.32 Ω).

    Source: JCGM 100:2008, 5.2.2, example, and equation (16).
    """
    fitted = one_meter(10, scale=scale, source=source)
    _, sd = fitted.gain_error("m", date(2024, 2, 1))
    assert sd[0] == pytest.approx(U * np.sqrt(common + (1 - common) / 10), rel=0.01)
    alone, one = fitted.gain_error(("bench", "set-0"), date(2024, 2, 1))
    assert abs(alone[0]) < 0.1
    assert one[0] == pytest.approx(U * np.sqrt(common + (1 - common) / 10), rel=0.03)


def test_all_meters_together_are_off_by_what_the_scale_is():
    """Three sets from one scale: what all meters have in common is as large as its error."""
    fleet = simulate_fleet(replace(SCENARIOS["three sets from one scale"], n_meters=24), 5)
    data = fleet_data(fleet)
    meters = list(fleet.gain_errors_ln(fleet.today))
    alike = fit(data, today=fleet.today).common_sd(meters, fleet.today)
    apart = replace(data, benches=data.benches.drop("weighed_on"))
    unlike = fit(apart, today=fleet.today).common_sd(meters, fleet.today)
    assert alike > 1.15 * unlike
    assert alike == pytest.approx(0.24, abs=0.06)
    assert fit(data, today=fleet.today).common_sd(meters[:1], fleet.today) is None


def test_two_workshops_with_one_set_know_no_more_of_it_than_one():
    """The set's u stays whole; only what each place adds of its own averages out."""
    u_place, n = 0.1, 12
    places = ["north", "south"] * (n // 2)
    data = FleetData(meters=ONE, bench=hung(["set"] * n, 3, place_id=places, u_place=u_place))
    _, sd = fit(data, today=date(2024, 2, 1), settings=ALONE).gain_error("m", date(2024, 2, 1))
    assert sd[0] == pytest.approx(np.hypot(U, u_place / np.sqrt(2)), rel=0.01)
