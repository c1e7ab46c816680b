"""Trainers and other references as devices of their own: how far each has moved, when it is due.

A reference's gain error is known only together with the drivetrain's loss, so only its changes
count: what it has done over the last year, and when the chance that this change stays within its
tolerance falls below the team's target.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, TypedDict

import numpy as np
import polars as pl

from models.metrology import DAYS_A_YEAR, Z90, Array, noon, percent_from_ln, percent_sd
from models.records import typed_rows
from models.status.documents import Status, TrainerState
from models.status.due import HORIZON_DAYS, NEVER, SOON_DAYS, Forecast, first_day_below, p_within
from models.wording import Reason

if TYPE_CHECKING:
    from models.fleet import FleetFit

LOOK_BACK_DAYS = 365
FEWEST = 2
SCHEMA = {
    "reference_id": pl.String,
    "since": pl.Date,
    "change_ln": pl.Float64,
    "change_sd_ln": pl.Float64,
    "wander_ln": pl.Float64,
    "last_comparison": pl.Date,
    "n_comparisons": pl.Int64,
    "tolerance_pct": pl.Float64,
}


def trainer_changes(references: pl.DataFrame, fleet: FleetFit, *, as_of: date) -> pl.DataFrame:
    """Return how far each reference has moved within the last year.

    In   references: reference_id, tolerance_pct; those that are meters of the fleet left out
    Out  one row each: since (a year ago, or its first comparison), change_ln and change_sd_ln
         (100·ln, from then to as_of), wander_ln (sd of its random walk after a year),
         last_comparison, n_comparisons, tolerance_pct. Fewer than two comparisons: no change.
    """
    seen = fleet.prepared.data.comparisons.group_by("reference_id").agg(
        first=pl.col("at").min().dt.date(),
        last_comparison=pl.col("at").max().dt.date(),
        n_comparisons=pl.len().cast(pl.Int64),
    )
    known = references.select("reference_id", pl.col("tolerance_pct").cast(pl.Float64))
    rows = known.join(seen, on="reference_id", how="left", maintain_order="left").with_columns(
        pl.col("n_comparisons").fill_null(0),
        since=pl.max_horizontal("first", pl.lit(as_of - timedelta(days=LOOK_BACK_DAYS))),
    )
    moved = [
        _change(fleet, name, since, as_of) if n >= FEWEST else (None, None)
        for name, since, n in rows.select("reference_id", "since", "n_comparisons").iter_rows()
    ]
    wander = fleet.hyper.fleet_sd("reference_walk")
    return rows.with_columns(
        pl.Series("change_ln", [m for m, _ in moved], dtype=pl.Float64),
        pl.Series("change_sd_ln", [s for _, s in moved], dtype=pl.Float64),
        wander_ln=pl.lit(wander),
    ).select(pl.col(name).cast(kind) for name, kind in SCHEMA.items())


def _change(fleet: FleetFit, name: str, since: date, as_of: date) -> tuple[float, float]:
    pairs = [(("reference", name), noon(day)) for day in (since, as_of)]
    mean, covariance = fleet.joint(pairs)
    sign = np.array([-1.0, 1.0])
    return float(sign @ mean), float(np.sqrt(max(sign @ covariance @ sign, 0.0)))


class _Change(TypedDict):
    since: date | None
    change_ln: float | None
    change_sd_ln: float | None
    last_comparison: date | None
    n_comparisons: int
    tolerance_pct: float


def trainer_states(changes: pl.DataFrame, *, as_of: date, target: float) -> list[TrainerState]:
    """Return what `status` adds to each reference: its change, a status, a due date.

    In   changes: as from `trainer_changes`
    Status, first match: unknown (fewer than two comparisons), out (p < 0.5), due (p < target),
    soon (p < target within 28 days), ok; p of the change being within the tolerance.
    """
    days = np.concatenate([np.arange(0, 64, 7), np.arange(91, HORIZON_DAYS + 29, 28)])
    mean = _column(changes, "change_ln")[:, None] + np.zeros(days.size)
    variance = _column(changes, "change_sd_ln")[:, None] ** 2
    variance = variance + _column(changes, "wander_ln")[:, None] ** 2 * days / DAYS_A_YEAR
    forecast = Forecast(days, percent_from_ln(mean), percent_sd(mean, np.sqrt(variance)))
    tolerance = _column(changes, "tolerance_pct")
    p = p_within(forecast.mean_pct[:, 0], forecast.sd_pct[:, 0], tolerance)
    below = first_day_below(forecast, tolerance, target)
    below[below > HORIZON_DAYS] = NEVER
    return [
        _state(row, float(p[i]), int(below[i]), as_of=as_of, target=target)
        for i, row in enumerate(typed_rows(changes, _Change))
    ]


def _column(frame: pl.DataFrame, name: str) -> Array:
    return frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy()


def _state(row: _Change, p: float, below: int, *, as_of: date, target: float) -> TrainerState:
    change, sd = row["change_ln"], row["change_sd_ln"]
    state: TrainerState = {
        "since": row["since"],
        "last_comparison": row["last_comparison"],
        "n_comparisons": row["n_comparisons"],
        "tolerance_pct": row["tolerance_pct"],
        "status": "unknown",
        "p_within_tolerance": None,
        "due_date": None,
        "reasons": [],
        "change_pct": None,
        "change_sd_pct": None,
    }
    if change is None or sd is None or not np.isfinite(p):
        once = row["n_comparisons"] > 0
        state["reasons"] = [str(Reason("ridden_once") if once else Reason("never_ridden"))]
        return state
    state["status"] = status = _status(p, below, target)
    state["p_within_tolerance"] = p
    state["due_date"] = None if below == NEVER else as_of + timedelta(days=below)
    state["reasons"] = [str(_reason(row, percent_from_ln(change), Z90 * sd, status))]
    state["change_pct"], state["change_sd_pct"] = percent_from_ln(change), percent_sd(change, sd)
    return state


def _status(p: float, below: int, target: float) -> Status:
    if p < 0.5:
        return "out"
    if p < target:
        return "due"
    return "soon" if 0 <= below <= SOON_DAYS else "ok"


def _reason(row: _Change, change_pct: float, half_pct: float, status: Status) -> Reason:
    since, limit = row["since"], row["tolerance_pct"]
    if status not in ("out", "due"):
        return Reason("moved", change_pct=change_pct, half_pct=half_pct, since=since)
    return Reason(
        "moved_too_far",
        change_pct=change_pct,
        half_pct=half_pct,
        since=since,
        tolerance_pct=limit,
    )
