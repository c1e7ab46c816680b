"""What a leaving rider hands back, and what must be known to go on with the rider's numbers."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import polars as pl

from ingest.schema import in_force
from models.fleet import FleetFit
from models.metrology import noon, percent_from_ln, ratio_from_ln


def handover_report(
    fleet: FleetFit,
    tables: dict[str, pl.DataFrame],
    meters: pl.DataFrame,
    ledger: list[dict[str, Any]],
    *,
    rider_id: str,
    told: list[dict[str, Any]],
    today: date,
) -> dict[str, Any]:
    """Everything about a rider's meters.

    In   tables: assignments, efforts; meters: the roster; ledger: the rider's rows over the whole
         time; told: the notices of that time
    Out  rider_id, to_return (meters assigned today: location, return_by, gain error),
         meters (from, to, role, bike), ledger, efforts (shown and corrected watts), notices, text
    """
    mine = tables["assignments"].filter(pl.col("rider_id") == rider_id).sort("from_date")
    now = mine.filter(in_force(today))
    back = now.select("meter_id").unique(maintain_order=True).join(meters, on="meter_id")
    return {
        "rider_id": rider_id,
        "as_of": today,
        "to_return": _to_return(fleet, back, today),
        "meters": mine.select("meter_id", "from_date", "to_date", "role", "bike_id").to_dicts(),
        "efforts": _efforts(fleet, tables["efforts"], rider_id),
        "ledger": ledger,
        "notices": [row for row in told if row["rider_id"] == rider_id],
        "text": _text(rider_id, back["meter_id"].to_list(), mine),
    }


def _to_return(fleet: FleetFit, back: pl.DataFrame, today: date) -> list[dict[str, Any]]:
    if back.is_empty():
        return []
    mean, sd = fleet.gain_error([("meter", name) for name in back["meter_id"]], today)
    scale = np.exp(mean / 100)
    names = ("meter_id", "serial_number", "state", "location", "owner", "return_by")
    return [
        {name: row[name] for name in names}
        | {
            "gain_error_pct": percent_from_ln(float(m)),
            "gain_error_sd_pct": float(s * f),
        }
        for row, m, s, f in zip(back.iter_rows(named=True), mean, sd, scale, strict=True)
    ]


def _efforts(fleet: FleetFit, efforts: pl.DataFrame, rider_id: str) -> list[dict[str, Any]]:
    known = set(fleet.prepared.devices.meters)
    rows = efforts.filter(
        (pl.col("rider_id") == rider_id) & pl.col("meter_id").is_in(list(known))
    ).sort("date")
    if rows.is_empty():
        return []
    mean, sd = fleet.gain_error(
        [("meter", name) for name in rows["meter_id"]], [noon(day) for day in rows["date"]]
    )
    return [
        {
            "date": row["date"],
            "kind": row["kind"],
            "duration_s": row["duration_s"],
            "meter_id": row["meter_id"],
            "watts": row["watts"],
            "corrected_w": row["watts"] * ratio_from_ln(-float(m)),
            "u_corrected_w": row["watts"] * ratio_from_ln(-float(m)) * float(s) / 100,
        }
        for row, m, s in zip(rows.iter_rows(named=True), mean, sd, strict=True)
    ]


def _text(rider_id: str, back: list[str], mine: pl.DataFrame) -> str:
    has = f"has {', '.join(back)} to hand back" if back else "has nothing to hand back"
    since = min(mine["from_date"].to_list())
    return (
        f"{rider_id} rode {mine['meter_id'].n_unique()} meters since {since} and {has}. Watts go "
        "on with the ledger: true = shown × factor; a new team's meter has an error of its own."
    )
