"""The side tables of a bench: what is known of meters, mass sets, places and installations."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from ingest.schema import TABLES
from models.bench.measurement.readings import Installation, Meter
from models.metrology import MassLimits


@dataclass(frozen=True, slots=True)
class MassSet:
    """A row of mass_sets."""

    mass_kg: float | None
    hanger_kg: float | None
    limits: MassLimits
    due_on: date | None


NO_MASS_SET = MassSet(None, None, MassLimits(), None)


@dataclass(frozen=True, slots=True)
class Known:
    """The side tables by id; an absent table is empty."""

    meters: Mapping[str, tuple[str | None, Meter]]
    mass_sets: Mapping[str, MassSet]
    places: Mapping[str, dict[str, Any]]
    installations: Mapping[str, list[Installation]]

    @classmethod
    def of(cls, tables: Mapping[str, pl.DataFrame]) -> Known:
        installations: dict[str, list[Installation]] = defaultdict(list)
        for row in _rows(tables, "installations"):
            installations[row["meter_id"]].append(_installation(row))
        for rows in installations.values():
            rows.sort(key=lambda i: i.from_date or date.min, reverse=True)
        return cls(
            {row["meter_id"]: (row["kind"], _meter(row)) for row in _rows(tables, "meters")},
            {row["bench_id"]: _mass_set(row) for row in _rows(tables, "mass_sets")},
            {row["place_id"]: row for row in _rows(tables, "places")},
            installations,
        )

    def installation(self, meter_id: str, day: date | None) -> Installation | None:
        """The latest installation that covers the day."""
        if day is None:
            return None
        return next((i for i in self.installations.get(meter_id, ()) if i.covers(day)), None)


def _meter(row: dict[str, Any]) -> Meter:
    return Meter(
        convention=row["slope_convention"],
        **{
            name: row[name]
            for name in (
                *("factory_slope", "slope_step", "slope_min", "slope_max"),
                *("crank_length_mm", "tolerance_pct", "static_check"),
            )
        },
    )


def _mass_set(row: dict[str, Any]) -> MassSet:
    limits = MassLimits(row["mass_tolerance_g"], row["mass_class"], row["source"])
    return MassSet(row["mass_kg"], row["hanger_mass_kg"], limits, row["due_on"])


def _installation(row: dict[str, Any]) -> Installation:
    return Installation(
        row["from_date"],
        row["to_date"],
        row["crank_id"],
        row["crank_length_mm"],
        row["programmed_crank_length_mm"],
        row["large_ring"],
        row["small_ring"],
        row["ring_shape"] == "oval",
    )


def _rows(tables: Mapping[str, pl.DataFrame], name: str) -> list[dict[str, Any]]:
    """A side table's rows; rows without their id say nothing about anything."""
    if name not in tables:
        return []
    identity = TABLES[name].key[0]
    return clean(tables[name], name).filter(pl.col(identity).is_not_null()).to_dicts()


def clean(frame: pl.DataFrame, name: str) -> pl.DataFrame:
    """The table's columns, typed; what is not a finite number counts as not given."""
    typed = TABLES[name].conform(frame)
    numbers = [c for c, dtype in typed.schema.items() if dtype == pl.Float64]
    return typed.with_columns(
        pl.when(pl.col(c).is_finite()).then(pl.col(c)).alias(c) for c in numbers
    )
