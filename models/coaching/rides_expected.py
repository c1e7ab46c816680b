"""The ratio that a ride of two devices should show: sensors, legs, rings, chain and the day."""

import math
from dataclasses import replace
from datetime import datetime
from typing import TypedDict

import polars as pl

from models.coaching.road import Road, Use
from models.fleet import RoadEffect
from models.metrology import interval90, percent_from_ln
from models.records import effects_of_rides

NAME = "asked"
SOMEBODY = ""  # a rider whose legs are not known, or not to be told


class Expected(TypedDict):
    """What a meter should show over its reference on a ride, with the ride's own day in it.

    legs_counted: whether its rider's legs are in it; else the interval holds anybody's
    """

    ratio_pct: float
    interval90_pct: list[float]
    legs_counted: bool


def expected_ratio(
    road: Road,
    references: pl.DataFrame,
    *,
    meter_id: str,
    reference_id: str,
    at: datetime,
    legs: bool = True,
) -> Expected | None:
    """Return the ratio to be expected; None where the fleet knows one of the two not at all.

    In   references: reference_id, meter_id (where the reference is itself a meter)
         legs: whether the rider's own may enter; they are health data, and the ratio less what
         the sensors make of it would tell them
    """
    lent = dict(references.select("reference_id", "meter_id").iter_rows())
    known = set(road.fleet.prepared.devices.meters)
    if meter_id not in known or reference_id not in lent:
        return None
    meter = road.use(meter_id, at)
    meter = replace(meter, rider_id=(meter.rider_id if legs else None) or SOMEBODY)
    other = Use(lent[reference_id] or reference_id, at, None)
    if lent[reference_id] is not None and other.device_id not in known:
        return None
    mean, covariance = road.carrying(
        [meter, other], _carried(road, references, meter, reference_id)
    )
    repeat = road.fleet.repeatability()[meter_id]  # the reference's part is in it
    variance = float(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]) + repeat**2
    ratio = float(mean[0] - mean[1])
    low, high = interval90(ratio, math.sqrt(max(variance, 0.0)))
    return {
        "ratio_pct": percent_from_ln(ratio),
        "interval90_pct": [low, high],
        "legs_counted": meter.rider_id != SOMEBODY,
    }


def _carried(
    road: Road, references: pl.DataFrame, meter: Use, reference_id: str
) -> list[list[RoadEffect]]:
    """Return what the meter, then the reference carry on such a ride beside their gain errors."""
    ride = pl.DataFrame(
        {
            "comparison_id": [NAME],
            "meter_id": [meter.device_id],
            "reference_id": [reference_id],
            "measured_at": [meter.at],
            "rider_id": [meter.rider_id],
        },
        schema_overrides={"rider_id": pl.String, "measured_at": pl.Datetime("us", "UTC")},
    )
    effects = effects_of_rides(ride, road.meters, references, road.installations)
    signed = effects.select("kind", "effect", "sign").rows()
    carried: list[list[RoadEffect]] = [[], []]
    for kind, effect, sign in signed:
        carried[0 if sign > 0 else 1].append((kind, effect))
    return carried
