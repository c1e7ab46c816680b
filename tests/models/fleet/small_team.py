"""A small simulated team with its fit, and typed tables by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any

import polars as pl

from ingest.schema import TABLES
from models.fleet import FleetFit, FleetSettings, fit
from models.season import SeasonAsk
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleets import SCENARIOS, simulate_fleet

SETTINGS: Any = SimpleNamespace(reliability_target=0.9, tolerance_pct=1.5)


def table(name: str, *rows: dict[str, Any]) -> pl.DataFrame:
    schema = {
        c.name: {
            str: pl.String,
            float: pl.Float64,
            int: pl.Int64,
            bool: pl.Boolean,
            date: pl.Date,
        }.get(c.kind, pl.String)
        for c in TABLES[name].columns
    }
    return pl.DataFrame([dict.fromkeys(schema) | row for row in rows], schema=schema)


def empty_tables() -> dict[str, pl.DataFrame]:
    """Every table, without rows."""
    return {name: table(name) for name in TABLES}


def small_team(seed: int) -> tuple[Any, FleetFit]:
    """Records (as far as plans and budgets look at them) and fit of 14 simulated meters."""
    options = replace(SCENARIOS["usual"], n_meters=14, years=2.0, early_exit=0.0)
    fleet = simulate_fleet(options, seed)
    data = fleet_data(fleet)
    fitted = fit(data, today=fleet.today, settings=FleetSettings(alarms=False))
    none = table("meters").select(
        *("replaces_meter_id", "retired_date", "purchase_date", "purchase_cost"),
        *("warranty_until", "stated_accuracy_pct"),
    )
    meters = pl.concat([data.meters, none], how="diagonal_relaxed").with_columns(
        tolerance_pct=1.5,
        gone=pl.lit(False),
        state=pl.lit("active"),
        static_check=pl.lit(True),
        slope_convention=pl.lit("multiplier"),
        kind="group",
        model_group="group",
        in_service_date="in_service_on",
    )
    events = pl.concat(
        [table("events"), data.events.rename({"on": "date"})], how="diagonal_relaxed"
    )
    sessions = data.bench.select(
        "session_id",
        "meter_id",
        measured_at="at",
        gain_error_ln="found",
        gain_error_pct=100 * ((pl.col("found") / 100).exp() - 1),
        u_session_pct=pl.lit(0.2),
    )
    step = 100 * (((pl.col("p_before") - pl.col("p_after")) / 100).exp() - 1)
    resets = data.resets.with_columns(step_pct=step, slope_after=pl.lit(20.0))
    found = SimpleNamespace(
        as_of=fleet.today,
        meters=meters,
        data=data,
        events=events,
        sessions=sessions,
        resets=resets,
        course=resets,
    )
    return found, fitted


def asked_for(found: Any, weeks: int = 40, **more: Any) -> SeasonAsk:
    """A period from next Monday on."""
    start = found.as_of + timedelta(days=7 - found.as_of.weekday())
    return SeasonAsk(start, start + timedelta(weeks=weeks), **more)
