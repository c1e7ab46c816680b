"""Diagnostics of the fleet model: what they say of innovations whose nature is known."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.ageing import limits_from_budget
from models.fleet import FleetSettings, fit
from models.fleet.variance_components import CHANGE, COMPARISON, SESSION
from models.honesty import checks, detection
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleets import SCENARIOS, simulate_fleet

START = datetime(2024, 1, 1, tzinfo=UTC)
METERS, RECORDS = 40, 24


def innovations(values: np.ndarray, kind: str = "comparison") -> pl.DataFrame:
    """values: [meters, records] of standardized innovations."""
    meters, records = values.shape
    return pl.DataFrame(
        {
            "device_id": np.repeat([f"M{i}" for i in range(meters)], records),
            "kind": kind,
            "at": [START + timedelta(days=30 * k) for _ in range(meters) for k in range(records)],
            "standardized": values.ravel(),
            "weight": 1.0,
            "sd": 0.5,
            "gain": 0.2,
        }
    )


def by_check(values: np.ndarray) -> dict[str, dict[str, object]]:
    return {row["check"]: row for row in checks(innovations(values)).to_dicts()}


@pytest.fixture
def frozen() -> Iterator[None]:
    """Holm's test collects garbage each time: what other tests left behind is kept out of it."""
    gc.freeze()
    yield
    gc.unfreeze()


@pytest.mark.usefixtures("frozen")
def test_standard_normals_raise_nothing() -> None:
    """Each check's p is uniform where the model holds: about one fleet in ten below 0.1."""
    rng = np.random.default_rng(11)
    below = {"spread": 0, "tails": 0, "neighbours": 0}
    flagged, fleets = 0, 60
    for _ in range(fleets):
        found = by_check(rng.standard_normal((METERS, RECORDS)))
        for name in below:
            below[name] += float(str(found[name]["p"])) < 0.1
        flagged += bool(found["dependence"]["value"])
    shares = {name: count / fleets for name, count in below.items()}
    # about 2.5 binomial standard errors around 0.1
    assert all(0.0 < share <= 0.2 for share in shares.values()), shares
    assert flagged / fleets <= 0.12  # Holm at 0.05


def test_the_interval_of_the_spread_covers() -> None:
    rng = np.random.default_rng(12)
    inside = 0
    for _ in range(200):
        row = by_check(1.2 * rng.standard_normal((160, 6)))["spread"]
        inside += float(str(row["lo90"])) <= 1.2 <= float(str(row["hi90"]))
    assert 0.83 <= inside / 200 <= 0.96


def test_what_is_wrong_is_said() -> None:
    rng = np.random.default_rng(13)
    wide = by_check(1.3 * rng.standard_normal((METERS, RECORDS)))
    assert str(wide["spread"]["text"]).startswith("wider than the model says")
    heavy = by_check(rng.standard_t(3, (METERS, RECORDS)))
    assert str(heavy["tails"]["text"]).startswith("heavier tails")
    noise = rng.standard_normal((METERS, RECORDS))
    lasting = noise.copy()
    for k in range(1, RECORDS):
        lasting[:, k] = 0.6 * lasting[:, k - 1] + 0.8 * noise[:, k]
    alike = by_check(lasting)
    assert float(str(alike["neighbours"]["value"])) == pytest.approx(0.6, abs=0.08)
    assert str(alike["neighbours"]["text"]).startswith("neighbours resemble each other")
    assert float(str(alike["dependence"]["value"])) > 0.05


def test_few_or_weighed_down_records_are_not_tested() -> None:
    few = innovations(np.zeros((2, 5)))
    assert checks(few).is_empty()
    light = innovations(np.full((METERS, RECORDS), 9.0)).with_columns(weight=pl.lit(0.1))
    assert checks(light).is_empty()
    assert detection(light, limits_from_budget(1.0, 500).limits).is_empty()


def test_detection_speaks_of_the_median_record() -> None:
    found = detection(
        innovations(np.zeros((METERS, RECORDS))), limits_from_budget(1.0, 1500).limits
    )
    assert found["innovation_sd_pct"].unique().to_list() == [0.5]
    assert found["absorbed"].unique().to_list() == [0.2]
    single = found.filter(pl.col("chart") == "individuals").sort("step_pct")
    assert single["found_within_1"].is_sorted()
    assert single["found_within_1"].to_list()[-1] > 0.95  # 3 % is six standard deviations


def test_shares_add_up_and_follow_the_hyperparameters() -> None:
    fleet = simulate_fleet(SCENARIOS["usual"], 3)
    held = {"drift": 0.3, "walk": 0.4, "swap": 0.0, "bench": 0.1, "ride": 0.2, "pair": 0.6}
    fitted = fit(
        fleet_data(fleet),
        today=fleet.today,
        settings=FleetSettings(fixed=held, robust=False, alarms=False),
    )
    shares = fitted.variance_components(rng=np.random.default_rng(1))
    total = shares.group_by("group", "of").agg(pl.col("share").sum())["share"]
    assert np.allclose(total.to_numpy(), 1.0)
    change = shares.filter((pl.col("group") == "alder") & (pl.col("of") == CHANGE))
    assert dict(change.select("part", "share").iter_rows()) == pytest.approx(
        {"ageing unlike the group's mean": 0.36, "wandering": 0.64}
    )
    ride = shares.filter((pl.col("group") == "alder") & (pl.col("of") == COMPARISON))
    stated = ride.filter(pl.col("part") == "the comparison's own uncertainty")["sd"].item()
    pair = ride.filter(pl.col("part") == "constant for the pair of devices")["share"].item()
    assert pair == pytest.approx(0.36 / (0.36 + 0.04 + stated**2))
    assert ride["sd_lo90"].is_null().all()  # nothing was estimated


def test_battery_swaps_count_as_often_as_the_group_has_them() -> None:
    fleet = simulate_fleet(SCENARIOS["usual"], 3)
    held = {"drift": 0.3, "walk": 0.4, "swap": 0.2, "bench": 0.1, "ride": 0.2, "pair": 0.6}
    settings = FleetSettings(fixed=held, robust=False, alarms=False)
    fitted = fit(fleet_data(fleet), today=fleet.today, settings=settings)
    shares = fitted.variance_components(rng=np.random.default_rng(1))
    swaps = shares.filter(pl.col("part").str.starts_with("battery swaps"))
    found = dict(swaps.select("group", "sd").iter_rows())
    for group in fleet.options.groups:  # a variance of 0.2² each battery_life years
        assert found[group.name] == pytest.approx(0.2 / group.battery_life**0.5, rel=0.15)


def test_a_fit_states_how_well_its_shares_are_known() -> None:
    fleet = simulate_fleet(SCENARIOS["usual"], 4)
    fitted = fit(fleet_data(fleet), today=fleet.today)
    shares = fitted.variance_components(rng=np.random.default_rng(1))
    walk = shares.filter(pl.col("part") == "wandering")
    assert (walk["sd_lo90"] < walk["sd"]).all()
    assert (walk["sd"] < walk["sd_hi90"]).all()
    assert ((walk["share_lo90"] >= 0) & (walk["share_hi90"] <= 1)).all()
    assert set(shares["of"]) == {CHANGE, SESSION, COMPARISON}
