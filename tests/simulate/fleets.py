"""Simulated fleets with known truth.

A fleet is drawn by the physics (a sensor that ages, is struck, gets new batteries and is read
at benches and beside trainers), not by the fleet model: heavy tails, temperature, loose
ends such as unrecorded resets and a person's wrong entries are options. `simulate_fleet`
returns the frames that the fleet model takes, and the truth behind them.

Errors are 100·ln, days count from the fleet's first day.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.simulate.fleet_devices import draw_world
from tests.simulate.fleet_evidence import WRONG_CRANK, bench_days, rides
from tests.simulate.fleet_options import (
    SCENARIOS,
    THREE_GROUPS,
    FleetOptions,
    Group,
    no_drift,
    varied,
)
from tests.simulate.fleet_truth import (
    YEAR,
    Jump,
    MeterTruth,
    Strike,
    Truth,
    Unrecorded,
    WrongEntry,
)

__all__ = [
    "SCENARIOS",
    "THREE_GROUPS",
    "WRONG_CRANK",
    "YEAR",
    "Fleet",
    "FleetOptions",
    "Group",
    "Jump",
    "MeterTruth",
    "Strike",
    "Truth",
    "Unrecorded",
    "WrongEntry",
    "no_drift",
    "simulate_fleet",
    "varied",
]

_AT = pl.Datetime("us", "UTC")
_BENCH_COLUMNS = {
    "session_id": pl.String,
    "meter_id": pl.String,
    "at": _AT,
    "bench_id": pl.String,
    "place_id": pl.String,
    "crank_id": pl.String,
    "found": pl.Float64,
    "u_session": pl.Float64,
    "dof_session": pl.Float64,
    "u_bench": pl.Float64,
    "u_place": pl.Float64,
    "u_crank": pl.Float64,
    "u_meter": pl.Float64,
    "temperature_c": pl.Float64,
}
_COMPARISON_COLUMNS = {
    "comparison_id": pl.String,
    "meter_id": pl.String,
    "reference_id": pl.String,
    "at": _AT,
    "ratio": pl.Float64,
    "u": pl.Float64,
    "dof": pl.Float64,
    "rider_id": pl.String,
    "temperature_c": pl.Float64,
    "pair_key": pl.String,
}
_RESET_COLUMNS = {
    "meter_id": pl.String,
    "at": _AT,
    "p_before": pl.Float64,
    "p_after": pl.Float64,
    "recorded": pl.Boolean,
    "earliest": _AT,
    "latest": _AT,
}
_EVENT_COLUMNS = {
    "meter_id": pl.String,
    "reference_id": pl.String,
    "bench_id": pl.String,
    "on": pl.Date,
    "event": pl.String,
    "state": pl.String,
}


@dataclass(frozen=True)
class Fleet:
    """A simulated fleet: the model's input frames, its options and the truth."""

    options: FleetOptions
    seed: int
    frames: dict[str, pl.DataFrame]
    truth: Truth
    n_days: int

    @property
    def today(self) -> date:
        """The data's last day."""
        return self.options.first_day + timedelta(days=self.n_days - 1)

    @property
    def end(self) -> float:
        """The end of the data's last day, in days since the first."""
        return self.n_days - 1e-6

    def day_of(self, when: date | datetime) -> float:
        """Days since the fleet's first day; a plain date means the end of that day."""
        first = datetime.combine(self.options.first_day, datetime.min.time(), UTC)
        if isinstance(when, datetime):
            return (when.astimezone(UTC) - first).total_seconds() / 86400
        return (when - self.options.first_day).days + 1 - 1e-6

    def gain_errors_ln(self, when: date | datetime) -> dict[str, float]:
        """True gain error, 100·ln, of every meter in use."""
        return self.truth.gain_errors(self.day_of(when))

    def gain_errors_pct(self, when: date | datetime) -> dict[str, float]:
        """True gain error in percent of every meter in use."""
        return {m: 100 * math.expm1(e / 100) for m, e in self.gain_errors_ln(when).items()}


def simulate_fleet(options: FleetOptions, seed: int) -> Fleet:
    """Draw a fleet; the same options and seed give the same fleet.

    The frames are meters, bench, comparisons, resets, events, references and benches, with
    errors and standard uncertainties in 100·ln, instants in UTC and calendar days as dates.
    """
    world = draw_world(options, np.random.default_rng([seed, 20231]))
    sessions, resets = bench_days(world)
    comparisons = rides(world)
    frames = {
        "meters": _meters_frame(options, world.truth),
        "bench": _timed(options, sessions, _BENCH_COLUMNS),
        "comparisons": _timed(options, comparisons, _COMPARISON_COLUMNS),
        "resets": _timed(options, resets, _RESET_COLUMNS),
        "events": _events_frame(options, world.truth),
        "references": _references_frame(world.truth),
        "benches": _benches_frame(options, world.truth),
    }
    return Fleet(options, seed, frames, world.truth, world.n_days)


def instant(options: FleetOptions, t: float) -> datetime:
    """The UTC instant of day t."""
    first = datetime.combine(options.first_day, datetime.min.time(), UTC)
    return first + timedelta(minutes=round(t * 1440))


def _day(options: FleetOptions, day: int | None) -> date | None:
    return None if day is None else options.first_day + timedelta(days=day)


def _timed(
    options: FleetOptions, rows: Sequence[dict[str, Any]], columns: Mapping[str, Any]
) -> pl.DataFrame:
    timed = [c for c, kind in columns.items() if kind == _AT]
    stamped = [row | {c: instant(options, row[c]) for c in timed} for row in rows]
    return pl.DataFrame(stamped, schema=dict(columns), orient="row")


def _meters_frame(options: FleetOptions, truth: Truth) -> pl.DataFrame:
    meters = list(truth.meters.values())
    columns: dict[str, Any] = {
        "meter_id": [m.meter_id for m in meters],
        "group": [m.group.name for m in meters],
        "in_service_on": [_day(options, m.start) for m in meters],
        "retired_on": [_day(options, m.stop) for m in meters],
    }
    return pl.DataFrame(columns, schema_overrides={"retired_on": pl.Date})


def _events_frame(options: FleetOptions, truth: Truth) -> pl.DataFrame:
    rows = [
        (meter.meter_id, None, None, _day(options, day), "battery_swap", "confirmed")
        for meter in truth.meters.values()
        for day in meter.battery_days
    ]
    return pl.DataFrame(rows, schema=_EVENT_COLUMNS, orient="row")


def _references_frame(truth: Truth) -> pl.DataFrame:
    rows: list[tuple[str, str, str | None]] = [(r, "trainer", None) for r in truth.references]
    rows += [(name, "meter", meter_id) for name, meter_id in truth.lent.items()]
    return pl.DataFrame(
        rows,
        schema={"reference_id": pl.String, "kind": pl.String, "meter_id": pl.String},
        orient="row",
    )


def _benches_frame(options: FleetOptions, truth: Truth) -> pl.DataFrame:
    scale = "the hall's scale" if options.scale_u else None
    rows = [
        (
            name,
            math.hypot(u, options.scale_u),
            "certificate" if u < 0.02 else "weighed" if u < 0.2 else "stamped",
            scale,
        )
        for name, u in zip(truth.benches, options.bench_u, strict=True)
    ]
    text = dict.fromkeys(("source", "weighed_on"), pl.String)
    return pl.DataFrame(
        rows, schema={"bench_id": pl.String, "u_pct": pl.Float64, **text}, orient="row"
    )
