"""What rides see and the bench does not: oval rings, riders' legs, hubs on trainers."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from ingest.schema import TABLES
from models.fleet import FleetData, FleetSettings, fit
from models.records.ride_effects import effects_of_rides
from models.rides import without_impossible

FIRST = datetime(2025, 1, 1, 17, tzinfo=UTC)


def table(name: str, rows: list[dict]) -> pl.DataFrame:
    return TABLES[name].conform(pl.DataFrame(rows, infer_schema_length=None))


REFERENCES = table(
    "references",
    [
        {"reference_id": "T", "kind": "trainer"},
        {"reference_id": "W", "kind": "trainer", "keeps_wheel": True},
        {"reference_id": "lent", "kind": "meter", "meter_id": "S"},
    ],
)
METERS = pl.DataFrame(
    {"meter_id": ["S", "L", "H"], "kind": ["crank_spider", "crank_arm_left", "hub"]}
)
RINGS = table(
    "installations",
    [
        {"meter_id": "S", "bike_id": "b", "from_date": date(2024, 1, 1),
         "to_date": date(2025, 2, 9), "ring_shape": "round"},
        {"meter_id": "S", "bike_id": "b", "from_date": date(2025, 2, 10), "ring_shape": "oval"},
    ],
)  # fmt: skip


def rides(rows: list[tuple[str, str, int, str | None]]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "comparison_id": f"c{i}",
                "meter_id": meter,
                "reference_id": reference,
                "measured_at": FIRST + timedelta(days=day, minutes=i),
                "rider_id": rider,
            }
            for i, (meter, reference, day, rider) in enumerate(rows)
        ],
        schema_overrides={"rider_id": pl.String},
    )


def test_which_ride_carries_what():
    asked = rides(
        [
            ("S", "T", 0, "Ada"),  # round still, two legs
            ("S", "T", 60, "Ada"),  # oval
            ("L", "lent", 60, "Bo"),  # the oval ring is the reference's; Bo's left leg
            ("L", "T", 60, "Bo"),  # the same day
            ("L", "T", 70, None),  # nobody knows who
        ]
    )
    found = effects_of_rides(asked, METERS, REFERENCES, RINGS)
    assert set(found.select("comparison_id", "kind", "sign").iter_rows()) == {
        ("c1", "ring", 1.0),
        ("c2", "ring", -1.0),
        ("c2", "rider", 1.0),
        ("c3", "rider", 1.0),
        ("c2", "day", 1.0),
        ("c3", "day", 1.0),
    }


def test_the_drivetrain_lies_between_a_hub_and_a_crank():
    asked = rides([("H", "lent", 3, None), ("S", "T", 3, None)])
    found = effects_of_rides(asked, METERS, REFERENCES, RINGS.clear())
    assert found.select("comparison_id", "effect", "kind", "sign").rows() == [
        ("c0", "H | drivetrain", "drive", 1.0)
    ]


def test_a_hub_is_refused_on_a_trainer_that_replaces_the_wheel():
    asked = rides([("H", "T", 1, None), ("H", "W", 2, None), ("H", "lent", 3, None)])
    asked = asked.with_columns(void=pl.lit(None, dtype=pl.String))
    void = without_impossible(asked, METERS, REFERENCES)["void"].to_list()
    assert "replaces the rear wheel" in void[0]
    assert void[1:] == [None, None]


def _fleet(shift: float, day: int) -> tuple[FleetData, pl.DataFrame]:
    """Six spiders on two trainers, benched twice; S0's rides read `shift` higher from a day on."""
    rng = np.random.default_rng(11)
    trainers = {"T1": -2.0, "T2": -1.0}
    bench, ridden = [], []
    for i in range(6):
        for at in (0, 300):
            bench.append((f"b{i}-{at}", f"S{i}", FIRST + timedelta(days=at), rng.normal(0, 0.2)))
        for k in range(20):
            at, name = 15 * k + i, ("T1", "T2")[k % 2]
            own = shift if i == 0 and at >= day else 0.0
            ratio = own - trainers[name] + rng.normal(0, 0.4)
            ridden.append((f"c{i}-{k}", f"S{i}", name, FIRST + timedelta(days=at), ratio, 0.4))
    columns = ["comparison_id", "meter_id", "reference_id", "at", "ratio", "u"]
    frame = pl.DataFrame(ridden, schema=columns, orient="row")
    data = FleetData(
        meters=pl.DataFrame(
            {
                "meter_id": [f"S{i}" for i in range(6)],
                "group": ["g"] * 6,
                "in_service_on": [date(2024, 12, 1)] * 6,
            }
        ),
        bench=pl.DataFrame(
            bench, schema=["session_id", "meter_id", "at", "found"], orient="row"
        ).with_columns(u_session=pl.lit(0.2)),
        comparisons=frame,
    )
    late = frame.filter(
        (pl.col("meter_id") == "S0") & (pl.col("at") >= FIRST + timedelta(days=day))
    )
    ring = late.select("comparison_id", effect=pl.lit("S0"), kind=pl.lit("ring"), sign=pl.lit(1.0))
    return data, ring


@pytest.mark.parametrize("shift", [1.8, 4.0])
def test_an_oval_ring_is_no_step_and_no_error(shift: float):
    """Rides read high on two trainers at once: with the ring known no alarm, and the gain error
    stays the bench's; without it the model must see a step."""
    data, ring = _fleet(shift, 100)
    today = date(2025, 11, 1)
    told = fit(replace(data, ride_effects=ring), today=today, settings=FleetSettings())
    untold = fit(data, today=today, settings=FleetSettings())
    mean, sd = told.gain_error("S0", today)
    assert told.alarms.filter(pl.col("device_id") == "S0").is_empty()
    assert abs(mean[0]) < 2.5 * sd[0] < 1.0
    size = told.ride_effects().row(0, named=True)
    assert abs(size["mean"] - shift) < 2.5 * size["sd"]
    assert size["sd"] < 0.5
    assert abs(untold.gain_error("S0", today)[0][0]) > abs(mean[0])


def test_a_fleet_without_any_of_it_is_fitted_as_before():
    data, ring = _fleet(0.0, 100)
    today = date(2025, 11, 1)
    plain, empty = (
        fit(data, today=today),
        fit(replace(data, ride_effects=ring.clear()), today=today),
    )
    assert plain.gain_error("S0", today) == empty.gain_error("S0", today)
    assert plain.posterior.state.log_likelihood == empty.posterior.state.log_likelihood


def _left_arms(seed: int) -> tuple[FleetData, dict[str, float], dict[str, float]]:
    """Ten left arms on two trainers, each of a rider whose left leg does otherwise by 1.5 %; arm
    L0 changes to the rider of L1 half way."""
    rng = np.random.default_rng(seed)
    legs = {f"R{i}": float(rng.normal(0, 1.5)) for i in range(10)}
    gain = {f"L{i}": float(rng.normal(0, 0.6)) for i in range(10)}
    bench, ridden, road = [], [], []
    for i in range(10):
        for at in (0, 150, 300):
            bench.append((f"b{i}-{at}", f"L{i}", FIRST + timedelta(days=at),
                          gain[f"L{i}"] + rng.normal(0, 0.2)))  # fmt: skip
        for k in range(20):
            rider = "R1" if i == 0 and k >= 10 else f"R{i}"
            name, ride = ("T1", "T2")[k % 2], f"c{i}-{k}"
            ratio = gain[f"L{i}"] + legs[rider] + {"T1": 2.0, "T2": 1.0}[name]
            at = FIRST + timedelta(days=15 * k + i)
            ridden.append((ride, f"L{i}", name, at, ratio + rng.normal(0, 0.6), 0.4))
            road.append((ride, rider, "rider", 1.0))
    ids = list(gain)
    data = FleetData(
        meters=pl.DataFrame({"meter_id": ids, "group": "g", "in_service_on": date(2024, 12, 1)}),
        bench=pl.DataFrame(
            bench, schema=["session_id", "meter_id", "at", "found"], orient="row"
        ).with_columns(u_session=pl.lit(0.2)),
        comparisons=pl.DataFrame(
            ridden,
            schema=["comparison_id", "meter_id", "reference_id", "at", "ratio", "u"],
            orient="row",
        ),
        ride_effects=pl.DataFrame(
            road, schema=["comparison_id", "effect", "kind", "sign"], orient="row"
        ),
    )
    return data, gain, legs


def _with_legs(fitted, meter, day, rider):
    """Mean and sd of a left arm's gain error, its rider's legs and the day's balance together."""
    carried = [[("rider", rider), ("day", None)]]
    mean, covariance = fitted.joint_on_road([(("meter", meter), day)], carried)
    return float(mean[0]), float(covariance[0, 0]) ** 0.5


def test_a_change_of_rider_is_no_step_and_totals_hold_the_truth():
    """Four fleets: no alarm at the handover, 90 % intervals of gain and of both legs' total."""
    today, inside_gain, inside_total, n = date(2025, 11, 1), 0, 0, 0
    for seed in range(4):
        data, gain, legs = _left_arms(seed)
        fitted = fit(data, today=today)
        assert fitted.alarms.filter(pl.col("device_id") == "L0").is_empty()
        mean, sd = fitted.gain_error(list(gain), today)
        true = np.array(list(gain.values()))
        inside_gain += int((np.abs(mean - true) < 1.645 * sd).sum())
        for i in range(1, 10):
            both, u = _with_legs(fitted, f"L{i}", today, f"R{i}")
            inside_total += abs(both - gain[f"L{i}"] - legs[f"R{i}"]) < 1.645 * u
            n += 1
        known, unknown = (_with_legs(fitted, "L3", today, r)[1] for r in ("R3", None))
        assert unknown > 1.5 * known
    assert inside_gain >= 32  # of 40
    assert inside_total >= 0.8 * n
