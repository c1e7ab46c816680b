"""What a leaving rider hands back, and what must be known to go on with the rider's numbers."""

from collections.abc import Sequence
from datetime import date

import polars as pl

from ingest.schema import in_force
from models.coaching.documents import (
    HandedEffort,
    HandoverDocument,
    KeptMeter,
    LedgerRow,
    MeterEffort,
    MeterToReturn,
    NoticeRow,
    RidingPeriod,
)
from models.fleet import FleetFit
from models.metrology import noon, percent_from_ln, percent_sd, ratio_from_ln
from models.records import typed_rows


def handover_report(
    fleet: FleetFit,
    tables: dict[str, pl.DataFrame],
    meters: pl.DataFrame,
    ledger: list[LedgerRow],
    *,
    rider_id: str,
    told: Sequence[NoticeRow],
    today: date,
) -> HandoverDocument:
    """Return everything about a rider's meters.

    In   tables: assignments, efforts; meters: the roster; ledger: the rider's rows over the whole
         time; told: the notices of that time
    """
    mine = tables["assignments"].filter(pl.col("rider_id") == rider_id).sort("from_date")
    now = mine.filter(in_force(today))
    back = now.select("meter_id").unique(maintain_order=True).join(meters, on="meter_id")
    return {
        "rider_id": rider_id,
        "as_of": today,
        "to_return": _to_return(fleet, back, today),
        "meters": typed_rows(mine, RidingPeriod),
        "efforts": _efforts(fleet, tables["efforts"], rider_id),
        "ledger": ledger,
        "notices": [row for row in told if row["rider_id"] == rider_id],
        "text": _text(rider_id, back["meter_id"].to_list(), mine),
    }


def _to_return(fleet: FleetFit, back: pl.DataFrame, today: date) -> list[MeterToReturn]:
    if back.is_empty():
        return []
    mean, sd = fleet.gain_error([("meter", name) for name in back["meter_id"]], today)
    rows = zip(
        typed_rows(back, KeptMeter), percent_from_ln(mean), percent_sd(mean, sd), strict=True
    )
    return [
        {**row, "gain_error_pct": float(error), "gain_error_sd_pct": float(u)}
        for row, error, u in rows
    ]


def _efforts(fleet: FleetFit, efforts: pl.DataFrame, rider_id: str) -> list[HandedEffort]:
    known = set(fleet.prepared.devices.meters)
    rows = efforts.filter(
        (pl.col("rider_id") == rider_id) & pl.col("meter_id").is_in(list(known))
    ).sort("date")
    if rows.is_empty():
        return []
    mean, sd = fleet.gain_error(
        [("meter", name) for name in rows["meter_id"]], [noon(day) for day in rows["date"]]
    )
    out: list[HandedEffort] = []
    for row, m, s in zip(typed_rows(rows, MeterEffort), mean.tolist(), sd.tolist(), strict=True):
        corrected = row["watts"] * ratio_from_ln(-m)
        out.append({**row, "corrected_w": corrected, "u_corrected_w": corrected * s / 100})
    return out


def _text(rider_id: str, back: list[str], mine: pl.DataFrame) -> str:
    has = f"has {', '.join(back)} to hand back" if back else "has nothing to hand back"
    since = min(mine["from_date"].to_list())
    return (
        f"{rider_id} rode {mine['meter_id'].n_unique()} meters since {since} and {has}. Watts go "
        "on with the ledger: true = shown × factor; a new team's meter has an error of its own."
    )
