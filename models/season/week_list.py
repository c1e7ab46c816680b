"""List what the mechanic needs on the spot for the visits of a week."""

from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from typing import Any

import polars as pl

from ingest.schema import in_force
from models.bench import last_slopes, rule_of
from models.metrology import accept_limits_nm, expected_torque_nm, local_gravity
from models.season.documents import BenchListRow, PlanDocument, Visit
from models.season.pins import monday_of


def bench_list(
    document: PlanDocument,
    tables: Mapping[str, pl.DataFrame],
    *,
    week: date,
    bench_id: str | None = None,
    place_id: str | None = None,
    actions: Mapping[str, str] | None = None,
) -> list[BenchListRow]:
    """Return a row for each visit of the week of a day.

    In   tables: meters, assignments, installations, mass_sets, places, bench; bench_id, place_id:
         what is used (else what was last, the only, or the first with a certificate); actions:
         what to do, by meter
    """
    slopes = last_slopes(tables["bench"])
    monday = monday_of(week)
    mass_set = _mass_set(tables["mass_sets"], bench_id or _last(tables["bench"], "bench_id"))
    place, gravity_ms2 = _gravity(tables["places"], place_id or _last(tables["bench"], "place_id"))
    rows = [
        _bench_row(visit, tables, mass_set=mass_set, gravity_ms2=gravity_ms2, place=place)
        for visit in document["visits"]
        if visit["week"] == monday
    ]
    for row in rows:
        left = slopes.get(row["meter_id"], {})
        row["slope"], row["next_action"] = left.get("slope"), (actions or {}).get(row["meter_id"])
        row["slope_left"], row["slope_right"] = left.get("slope_left"), left.get("slope_right")
    return rows


def _last(bench: pl.DataFrame, column: str) -> str | None:
    """Return what the last session that says so was hung with, or where."""
    said = bench.filter(pl.col(column).is_not_null())
    last: str | None = _first(said.sort("measured_at", descending=True), column)
    return last


def _mass_set(mass_sets: pl.DataFrame, bench_id: str | None) -> pl.DataFrame:
    """Return the mass set that is used, as a frame of at most one row."""
    if bench_id is not None:
        mass_sets = mass_sets.filter(pl.col("bench_id") == bench_id)
    certified = pl.col("source").eq_missing(pl.lit("certificate"))
    return mass_sets.sort(certified, descending=True, maintain_order=True).head(1)


def _gravity(places: pl.DataFrame, place_id: str | None) -> tuple[str | None, float]:
    """Return the place that is used, if there is no doubt which, and its gravity in m/s²."""
    if place_id is not None:
        places = places.filter(pl.col("place_id") == place_id)
    place = places if places.height == 1 else places.clear()
    found = local_gravity(
        place_ms2=_first(place, "gravity_ms2"),
        latitude_deg=_first(place, "latitude_deg"),
        altitude_m=_first(place, "altitude_m"),
    )
    return _first(place, "place_id"), found.value_ms2


def _bench_row(
    visit: Visit,
    tables: Mapping[str, pl.DataFrame],
    *,
    mass_set: pl.DataFrame,
    gravity_ms2: float,
    place: str | None,
) -> BenchListRow:
    meter_id, week = visit["meter_id"], visit["week"]
    meter = tables["meters"].filter(pl.col("meter_id") == meter_id)
    fitted = _on(tables["installations"], meter_id, week)
    assigned = _on(tables["assignments"], meter_id, week)
    crank = _first(fitted, "crank_length_mm") or _first(meter, "crank_length_mm")
    mass = _first(mass_set, "mass_kg")
    if mass is not None:
        mass += _first(mass_set, "hanger_mass_kg") or 0.0
    tolerance = visit["tolerance_pct"]
    expected = low = high = None
    if crank is not None and mass is not None:
        expected = expected_torque_nm(mass, crank, gravity_ms2=gravity_ms2)
        low, high = accept_limits_nm(expected, tolerance)
    return {
        "meter_id": meter_id,
        "rider_id": _first(assigned, "rider_id") or visit["rider_id"],
        "bike_id": _first(fitted, "bike_id") or _first(assigned, "bike_id"),
        "crank_length_mm": crank,
        "bench_id": _first(mass_set, "bench_id"),
        "mass_kg": mass,
        "place_id": place,
        "gravity_ms2": gravity_ms2,
        "expected_torque_nm": expected,
        "lowest_nm": low,
        "highest_nm": high,
        "tolerance_pct": tolerance,
        "slope_convention": _first(meter, "slope_convention"),
        "slope_step": _first(meter, "slope_step"),
        "slope": None,
        "slope_left": None,
        "slope_right": None,
        "large_ring": _first(fitted, "large_ring"),
        "small_ring": _first(fitted, "small_ring"),
        "arms": list(rule_of(_first(meter, "kind")).arms),
        "next_action": None,
        "why": visit["reason"],
        "lacks": list(_lacks(_first(meter, "kind"), crank, mass, place)),
    }


def _lacks(
    kind: str | None, crank_mm: float | None, mass_kg: float | None, place: str | None
) -> Iterable[str]:
    if crank_mm is None:
        yield "crank length unknown: measure it from axle to pedal axle"
    if mass_kg is None:
        yield "no mass set listed: weigh what hangs"
    if place is None:
        yield "place not named: standard gravity, good to 0.3 %"
    if kind == "hub":
        yield "a hub: multiply the expected torque by cog / ring"


def _on(frame: pl.DataFrame, meter_id: str, monday: date) -> pl.DataFrame:
    """Return the rows of a meter that hold in the week from a Monday on, the latest first."""
    week = in_force(monday, monday + timedelta(days=6))
    return frame.filter(pl.col("meter_id") == meter_id, week).sort("from_date", descending=True)


def _first(frame: pl.DataFrame, column: str) -> Any:
    """Return the first value of a column; None where the frame is empty."""
    return frame.item(0, column) if frame.height else None
