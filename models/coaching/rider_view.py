"""What a coach looks at: a rider's meters over the time each was ridden, and how far they agree."""

import math
from collections.abc import Sequence
from datetime import date, timedelta
from itertools import combinations
from statistics import NormalDist

import numpy as np
import polars as pl

from models.coaching.documents import (
    MeterPair,
    PeriodCurve,
    PeriodReset,
    Reading,
    RiderEffort,
    RidingPeriod,
    Shown,
)
from models.coaching.effort_days import Days
from models.coaching.road import Road, Use
from models.fleet import FleetFit
from models.metrology import Z90, interval90, percent_from_ln, percent_sd, ratio_from_ln
from models.records import typed_rows
from models.status import curve_points, p_within

EXAMPLE_W = 300.0
MORE_LIKELY = 0.5
STEP = timedelta(days=14)
DAY = timedelta(days=1)


def riding_periods(
    assignments: pl.DataFrame, meters: Sequence[str], *, rider_id: str, today: date
) -> list[RidingPeriod]:
    """Return which meter a rider has ridden when, oldest first."""
    rows = assignments.filter(
        (pl.col("rider_id") == rider_id)
        & pl.col("meter_id").is_in(list(meters))
        & (pl.col("from_date") <= today)
    ).sort("from_date", "meter_id")
    return typed_rows(rows, RidingPeriod)


def period_curve(
    fleet: FleetFit, resets: pl.DataFrame, period: RidingPeriod, *, today: date
) -> PeriodCurve:
    """Return the gain error of a meter while it was ridden."""
    meter, first = period["meter_id"], period["from_date"]
    last = min(today, period["to_date"] or today)
    mine = resets.filter(
        (pl.col("meter_id") == meter) & pl.col("at").dt.date().is_between(first, last)
    )
    changed = mine["at"].dt.date().to_list()
    steps = [first + k * STEP for k in range((last - first) // STEP + 1)]
    about = [day - DAY for day in changed if day > first]
    days = sorted({first, last, *steps, *changed, *about})
    mean, sd = fleet.gain_error(("meter", meter), days)
    return {
        **period,
        "points": curve_points(days, mean, sd),
        "resets": typed_rows(mine.with_columns(date=pl.col("at").dt.date()), PeriodReset),
    }


def between_meters(
    road: Road, days: Days, meters: Sequence[str], *, rider_id: str | None, on: date
) -> list[MeterPair]:
    """Return how much more one meter of each pair shows at the same effort of a rider.

    The interval holds what two rides show, each with its own day; both meters zeroed.
    """
    if len(meters) < 2:
        return []
    uses = [Use(meter, on, rider_id) for meter in meters]
    sensors = road.sensor(uses)[0]
    mean, covariance = days.on_rides(meters, road.rider(uses))
    rows: list[MeterPair] = []
    for i, j in combinations(range(len(meters)), 2):
        more, less = (i, j) if mean[i] >= mean[j] else (j, i)
        gap = float(mean[more] - mean[less])
        sd = math.sqrt(max(0.0, float(covariance[i, i] + covariance[j, j] - 2 * covariance[i, j])))
        value, (low, high) = percent_from_ln(gap), interval90(gap, sd)
        watts = [EXAMPLE_W * x / 100 * ratio_from_ln(float(mean[less])) for x in (low, value, high)]
        rows.append(
            {
                "meter_id": meters[more],
                "other_meter_id": meters[less],
                "difference_pct": value,
                "interval90_pct": [low, high],
                "example_w": EXAMPLE_W,
                "difference_w": watts[1],
                "interval90_w": [watts[0], watts[2]],
                "sensor_difference_pct": percent_from_ln(float(sensors[more] - sensors[less])),
                "p_more": NormalDist().cdf(gap / sd) if sd > 0 else float(gap > 0),
            }
        )
    return rows


def shown_of(road: Road, uses: Sequence[Use]) -> list[Shown]:
    """Return what each use's meter shows of EXAMPLE_W of its rider: legs, ring, chain counted."""
    if not uses:
        return []
    mean, covariance = road.rider(uses)
    rows: list[Shown] = []
    for m, sd in zip(mean.tolist(), np.sqrt(np.diag(covariance)).tolist(), strict=True):
        shown, low, high = (EXAMPLE_W * ratio_from_ln(m + step * Z90 * sd) for step in (0, -1, 1))
        rows.append(
            {
                "example_w": EXAMPLE_W,
                "shown_w": shown,
                "interval90_w": [low, high],
                "rider_error_pct": percent_from_ln(m),
                "rider_error_sd_pct": percent_sd(m, sd),
            }
        )
    return rows


def watts_status(status: str, shown: Shown, tolerance_pct: float, target: float) -> str:
    """Return how far a meter's watts are its rider's: its status, or worse by what it cannot see.

    In   status: of the sensor; target: least chance to lie within the tolerance
    """
    mean, sd = shown["rider_error_pct"], shown["rider_error_sd_pct"]
    p = float(p_within(np.array(mean), np.array(sd), np.array(tolerance_pct)))
    if status in ("out", "unknown") or p >= target:
        return status
    return "due" if p >= MORE_LIKELY else "out"


def readings(road: Road, meters: Sequence[str], *, rider_id: str | None, on: date) -> list[Reading]:
    """Return what each meter shows of the same watts of a rider."""
    uses = [Use(meter, on, rider_id) for meter in meters]
    shown = shown_of(road, uses)
    sensors = road.sensor(uses)[0].tolist() if uses else []
    return [
        {
            **row,
            "meter_id": use.device_id,
            "sensor_w": EXAMPLE_W * ratio_from_ln(sensor),
            "unknown": road.unknown([use]),
        }
        for use, row, sensor in zip(uses, shown, sensors, strict=True)
    ]


def efforts_of(efforts: pl.DataFrame, *, rider_id: str, today: date) -> list[RiderEffort]:
    """Return a rider's efforts up to a day, the newest first."""
    mine = efforts.filter((pl.col("rider_id") == rider_id) & (pl.col("date") <= today))
    return typed_rows(mine.sort("date", descending=True, maintain_order=True), RiderEffort)
