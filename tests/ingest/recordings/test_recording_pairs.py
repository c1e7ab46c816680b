"""Pairs by themselves from a folder: overlap in time, one from a meter, one from a reference."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from ingest.readers.recordings.devices import DEVICE_SCHEMA
from ingest.recordings import propose_pairs, roles
from ingest.recordings.summaries import SUMMARY_SCHEMA
from ingest.schema import TABLES

START = datetime(2026, 3, 1, 9, tzinfo=UTC)
METERS = TABLES["meters"].conform(
    pl.DataFrame({"meter_id": ["M-1", "M-2", "M-3"], "serial_number": ["1001", "1002", "1003"]})
)
REFERENCES = TABLES["references"].conform(
    pl.DataFrame(
        {"reference_id": ["T-1", "T-2", "R-M3"], "kind": ["trainer", "trainer", "meter"],
         "meter_id": [None, None, "M-3"]}
    )
)  # fmt: skip


def _device(kind: str, serial: int | None) -> dict[str, Any]:
    return dict.fromkeys(DEVICE_SCHEMA) | {"kind": kind, "serial_number": serial and str(serial)}


def _ride(seed: int, minutes: int = 60) -> list[float]:
    """Half-minute means of somebody's ride."""
    rng = np.random.default_rng(seed)
    return list(200 + 40 * rng.standard_normal(2 * minutes // 5 + 1).repeat(5)[: 2 * minutes])


def _recording(
    path: str, *devices: dict[str, Any], at: int = 0, trace: list[float] | None = None
) -> dict[str, Any]:
    """A summary of an hour that starts `at` seconds after START."""
    start = START + timedelta(seconds=at)
    return {
        "path": path, "name": path, "sha256": path, "status": "read", "samples": 3600,
        "started_at": start, "ended_at": start + timedelta(hours=1), "devices": list(devices),
        "trace_started_at": start, "trace_w": trace or _ride(1),
    }  # fmt: skip


def _pairs(*recordings: dict[str, Any], **more: Any) -> pl.DataFrame:
    summaries = pl.DataFrame(list(recordings), schema=SUMMARY_SCHEMA)
    return propose_pairs(summaries, METERS, REFERENCES, **more)


def _who(pairs: pl.DataFrame) -> list[tuple[Any, ...]]:
    return sorted(pairs.select("meter_file", "reference_file", "meter_id", "reference_id").rows())


BIKE = _device("power_meter", 1001)


def test_a_meters_ride_and_a_trainers_at_the_same_time_are_a_pair() -> None:
    pairs = _pairs(_recording("a.fit", BIKE), _recording("T-1/b.fit", at=600))
    assert _who(pairs) == [("a.fit", "T-1/b.fit", "M-1", "T-1")]
    assert pairs["overlap_s"].to_list() == [3000]
    assert pairs["comparison_id"].to_list() == ["M-1_T-1_20260301T0910"]
    reason = pairs["reason"][0]
    assert "50 min" in reason
    assert "serial number 1001" in reason
    assert "named in T-1" in reason
    assert set(TABLES["pairs"].names) <= set(pairs.columns)


@pytest.mark.parametrize(
    "other",
    [
        _recording("T-1/b.fit", at=3700),  # later
        _recording("T-1/b.fit", at=3500),  # too short an overlap
        _recording("b.fit"),  # whose?
        _recording("b.fit", _device("power_meter", 1002)),  # another meter, no reference
        _recording("T-1/b.fit") | {"started_at": None, "ended_at": None},  # without dates
        _recording("T-1/a.fit") | {"sha256": "a.fit"},  # the same file twice
        _recording("T-1/b.fit") | {"samples": 0},
    ],
)
def test_what_is_no_pair(other: dict[str, Any]) -> None:
    assert _pairs(_recording("a.fit", BIKE), other).is_empty()


def test_a_meter_of_the_fleet_can_be_the_reference_but_not_its_own() -> None:
    other = _recording("b.fit", _device("power_meter", 1003))
    assert _who(_pairs(_recording("a.fit", BIKE), other)) == [("a.fit", "b.fit", "M-1", "R-M3")]
    assert _pairs(other, _recording("c.fit", _device("power_meter", 1003))).is_empty()


def test_the_only_trainer_needs_no_name() -> None:
    trainer = _recording("b.fit", _device("trainer", 77))
    alone = REFERENCES.filter(pl.col("reference_id") == "T-1")
    summaries = pl.DataFrame([_recording("a.fit", BIKE), trainer], schema=SUMMARY_SCHEMA)
    pairs = propose_pairs(summaries, METERS, alone)
    assert _who(pairs) == [("a.fit", "b.fit", "M-1", "T-1")]
    assert propose_pairs(summaries, METERS, REFERENCES).is_empty()


def test_names_with_both_ids_are_the_references_beside_that_meter() -> None:
    both = _recording("2026-03-01-M-1-T-2.csv")
    meter, stranger = _recording("2026-03-01-M-1.csv"), _recording("2026-03-01-M-2.csv")
    pairs = _pairs(both, meter, stranger)
    assert _who(pairs) == [(meter["path"], both["path"], "M-1", "T-2")]
    assert _pairs(both, _recording("T-2-M-1.csv")).is_empty()  # nothing says which is which


def test_the_devices_in_a_file_count_more_than_its_name() -> None:
    found = roles(
        pl.DataFrame([_recording("M-2/T-1/M-2.fit", BIKE)], schema=SUMMARY_SCHEMA),
        METERS,
        REFERENCES,
    )
    assert found["meter_id"].to_list() == ["M-1"]
    several = _recording("x.fit", BIKE, _device("power_meter", 1002))
    summaries = pl.DataFrame([several], schema=SUMMARY_SCHEMA)
    assert roles(summaries, METERS, REFERENCES)["meter_id"].to_list() == [None]


def test_a_longer_id_is_not_taken_for_a_shorter_one() -> None:
    meters = pl.concat([METERS, METERS.head(1).with_columns(pl.lit("M-1-B").alias("meter_id"))])
    summaries = pl.DataFrame(
        [_recording("M-1-B.fit"), _recording("M-11.fit")], schema=SUMMARY_SCHEMA
    )
    assert roles(summaries, meters, REFERENCES)["meter_id"].to_list() == ["M-1-B", None]


def test_a_trainer_that_names_the_meter_is_doubted() -> None:
    pairs = _pairs(_recording("a.fit", BIKE), _recording("T-1/b.fit", BIKE))
    row = pairs.filter(pl.col("meter_file") == "a.fit")
    assert "may be the meter's own" in row["reason"][0]


def test_several_rides_at_once_are_told_apart_by_their_power() -> None:
    first, second = _ride(1), _ride(2)
    pairs = _pairs(
        _recording("a.fit", BIKE, trace=first),
        _recording("b.fit", _device("power_meter", 1002), trace=second),
        _recording("T-1/x.fit", at=60, trace=[w + 3 for w in first[2:]]),
        _recording("T-2/y.fit", at=90, trace=[1.02 * w for w in second[3:]]),
    )
    assert _who(pairs) == [
        ("a.fit", "T-1/x.fit", "M-1", "T-1"),
        ("b.fit", "T-2/y.fit", "M-2", "T-2"),
    ]
    assert (pairs["likeness"] > 0.99).all()


def test_two_that_are_nearly_as_alike_are_both_proposed_with_the_doubt_said() -> None:
    """One workout ridden side by side, or one bike with two references: nobody can tell here."""
    rng = np.random.default_rng(5)
    workout = np.array(_ride(1))
    near, nearer = (workout + sd * rng.standard_normal(120) for sd in (12, 2))
    pairs = _pairs(
        _recording("a.fit", BIKE, trace=workout.tolist()),
        _recording("T-1/x.fit", trace=near.tolist()),
        _recording("T-2/y.fit", trace=nearer.tolist()),
    )
    doubts = dict(pairs.select("reference_id", "reason").rows())
    assert "more alike" in doubts["T-1"]
    assert "alike" not in doubts["T-2"]


def test_where_the_power_does_not_tell_all_are_proposed_and_doubted() -> None:
    flat = [200.0] * 120
    pairs = _pairs(
        _recording("a.fit", BIKE, trace=flat),
        _recording("T-1/x.fit", trace=flat),
        _recording("T-2/y.fit", trace=flat),
    )
    assert pairs.height == 2
    assert pairs["likeness"].null_count() == 2
    assert all("2 candidates" in reason for reason in pairs["reason"])


def test_a_lonely_pair_of_unlike_traces_is_proposed_with_its_doubt() -> None:
    pairs = _pairs(_recording("a.fit", BIKE), _recording("T-1/b.fit", trace=_ride(9)))
    assert pairs.height == 1
    assert "unlike" in pairs["reason"][0]


def test_the_rider_comes_from_the_assignments() -> None:
    assignments = TABLES["assignments"].conform(
        pl.DataFrame(
            {"meter_id": ["M-1", "M-1"], "rider_id": ["Ada", "Bo"],
             "from_date": [date(2026, 1, 1), date(2026, 3, 1)],
             "to_date": [date(2026, 2, 28), None]}
        )
    )  # fmt: skip
    pairs = _pairs(_recording("a.fit", BIKE), _recording("T-1/b.fit"), assignments=assignments)
    assert pairs["rider_id"].to_list() == ["Bo"]


def test_comparisons_of_one_minute_have_names_of_their_own() -> None:
    other = _recording("c.fit", BIKE, at=1)
    pairs = _pairs(_recording("a.fit", BIKE), other, _recording("T-1/b.fit"))
    assert pairs["comparison_id"].to_list() == ["M-1_T-1_20260301T0900", "M-1_T-1_20260301T0900_2"]
