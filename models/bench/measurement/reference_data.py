"""What is known of meters, mass sets, places and installations when a session is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import TypedDict, cast

import polars as pl

from ingest.schema import TABLES
from models.bench.measurement.readings import Installation, Meter
from models.metrology import MassLimits

Tables = Mapping[str, pl.DataFrame]


class MeterRow(TypedDict):
    """A row of the table of meters, as far as the bench asks."""

    meter_id: str
    kind: str | None
    model_group: str | None
    slope_convention: str | None
    factory_slope: float | None
    slope_step: float | None
    slope_min: float | None
    slope_max: float | None
    crank_length_mm: float | None
    tolerance_pct: float | None
    torque_step_nm: float | None
    static_check: bool | None


class MassSetRow(TypedDict):
    """A row of mass_sets, as far as the bench asks."""

    bench_id: str
    mass_kg: float | None
    hanger_mass_kg: float | None
    mass_class: str | None
    mass_tolerance_g: float | None
    source: str | None
    certificate_no: str | None
    due_on: date | None


class PlaceRow(TypedDict):
    """A row of places."""

    place_id: str
    gravity_ms2: float | None
    latitude_deg: float | None
    altitude_m: float | None
    workshop: str | None


class InstallationRow(TypedDict):
    """A row of installations, as far as the bench asks."""

    meter_id: str
    from_date: date | None
    to_date: date | None
    crank_id: str | None
    crank_length_mm: float | None
    programmed_crank_length_mm: float | None
    large_ring: int | None
    small_ring: int | None
    ring_shape: str | None


@dataclass(frozen=True, slots=True)
class MassSet:
    """A mass set: its masses and hanger in kg, what is stated of them, when it is due."""

    mass_kg: float | None
    hanger_kg: float | None
    limits: MassLimits
    due_on: date | None


NO_MASS_SET = MassSet(None, None, MassLimits(), None)
NO_PLACE = PlaceRow(
    place_id="", gravity_ms2=None, latitude_deg=None, altitude_m=None, workshop=None
)


@dataclass(frozen=True, slots=True)
class ReferenceData:
    """The tables beside `bench`, by id; an absent table is empty.

    meters         kind and row of each
    installations  of each meter, the latest first
    """

    meters: Mapping[str, tuple[str | None, Meter]]
    mass_sets: Mapping[str, MassSet]
    places: Mapping[str, PlaceRow]
    installations: Mapping[str, list[Installation]]

    @classmethod
    def of(cls, tables: Tables) -> ReferenceData:
        """Read the tables meters, mass_sets, places and installations."""
        placed = cast("list[InstallationRow]", _rows(tables, "installations"))
        placed.sort(key=lambda row: (row["meter_id"], row["from_date"] or date.min), reverse=True)
        return cls(
            {row["meter_id"]: (row["kind"], _meter(row)) for row in meter_rows(tables)},
            {row["bench_id"]: _mass_set(row) for row in mass_set_rows(tables)},
            {row["place_id"]: row for row in place_rows(tables)},
            {
                meter_id: [_installation(row) for row in rows]
                for meter_id, rows in groupby(placed, key=lambda row: row["meter_id"])
            },
        )

    def installation(self, meter_id: str, day: date | None) -> Installation | None:
        """Return the latest installation that covers a day; None for no day."""
        if day is None:
            return None
        return next((i for i in self.installations.get(meter_id, ()) if i.covers(day)), None)


def meter_rows(tables: Tables) -> list[MeterRow]:
    """Return the rows of meters; none where the table is absent."""
    return cast("list[MeterRow]", _rows(tables, "meters"))


def mass_set_rows(tables: Tables) -> list[MassSetRow]:
    """Return the rows of mass_sets; none where the table is absent."""
    return cast("list[MassSetRow]", _rows(tables, "mass_sets"))


def place_rows(tables: Tables) -> list[PlaceRow]:
    """Return the rows of places; none where the table is absent."""
    return cast("list[PlaceRow]", _rows(tables, "places"))


def mass_limits(row: MassSetRow) -> MassLimits:
    """Return what is stated about a mass set."""
    return MassLimits(row["mass_tolerance_g"], row["mass_class"], row["source"])


def _meter(row: MeterRow) -> Meter:
    return Meter(
        convention=row["slope_convention"],
        factory_slope=row["factory_slope"],
        slope_step=row["slope_step"],
        slope_min=row["slope_min"],
        slope_max=row["slope_max"],
        crank_length_mm=row["crank_length_mm"],
        tolerance_pct=row["tolerance_pct"],
        torque_step_nm=row["torque_step_nm"],
        group=row["model_group"] or row["kind"],
        static_check=row["static_check"],
    )


def _mass_set(row: MassSetRow) -> MassSet:
    return MassSet(row["mass_kg"], row["hanger_mass_kg"], mass_limits(row), row["due_on"])


def _installation(row: InstallationRow) -> Installation:
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


def _rows(tables: Tables, name: str) -> list[dict[str, object]]:
    """A table's rows; rows without their id say nothing about anything."""
    if name not in tables:
        return []
    identity = TABLES[name].key[0]
    return clean(tables[name], name).filter(pl.col(identity).is_not_null()).to_dicts()


def clean(frame: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return a table's columns, typed; a number that is not finite counts as not given."""
    typed = TABLES[name].conform(frame)
    numbers = [c for c, dtype in typed.schema.items() if dtype == pl.Float64]
    return typed.with_columns(
        pl.when(pl.col(c).is_finite()).then(pl.col(c)).alias(c) for c in numbers
    )
