"""Which rides are affected when a meter is found out of tolerance: back to the last good session.

Between the last session that left the meter within tolerance and the one that found it out,
nobody knew. The fleet model's smoothed course says from when on it was out, and by how much.
"""

from datetime import date, datetime, timedelta
from typing import TypedDict

import numpy as np
import polars as pl

from models.coaching import ledger
from models.coaching.documents import AffectedEffort, AffectedRider, FoundOut
from models.fleet import FleetFit
from models.metrology import noon, percent_from_ln, percent_sd, ratio_from_ln
from models.records import typed_rows
from models.status import p_within

STEP_DAYS = 7


def affected_rides(
    fleet: FleetFit,
    sessions: pl.DataFrame,
    tables: dict[str, pl.DataFrame],
    *,
    meter_id: str,
    tolerance_pct: float,
    since: date,
) -> list[FoundOut]:
    """Return what each session that found the meter out puts in doubt, newest first.

    In   sessions: session_results; tables: assignments, efforts, comparisons; since: the
         meter's first day in service, where no good session precedes
    """
    own = sessions.filter(
        (pl.col("meter_id") == meter_id) & pl.col("gain_error_pct").is_finite()
    ).sort("measured_at")
    rows, good = [], None
    for session in typed_rows(own, _Session):
        day = session["measured_at"].date()
        out = abs(session["gain_error_pct"]) > tolerance_pct
        if out:
            rows.append(
                _one(
                    fleet,
                    tables,
                    session,
                    good,
                    meter_id=meter_id,
                    limit=tolerance_pct,
                    since=since,
                )
            )
        if not out or session["slope_after"] is not None:
            good = day
    return rows[::-1]


class _Session(TypedDict):
    session_id: str
    measured_at: datetime
    gain_error_pct: float
    slope_after: float | None


def _one(
    fleet: FleetFit,
    tables: dict[str, pl.DataFrame],
    session: _Session,
    good: date | None,
    *,
    meter_id: str,
    limit: float,
    since: date,
) -> FoundOut:
    found_on = session["measured_at"].date()
    start = good or min(since, found_on)
    doubtful = _doubtful_from(fleet, meter_id, start, found_on, limit)
    spans = ledger.ridden(
        tables["assignments"],
        first=doubtful or start,
        last=found_on,
        meter_id=meter_id,
        rider_id=None,
    )
    riders: list[AffectedRider] = [
        {"rider_id": span.rider_id, "from_date": span.first, "to_date": span.last}
        for span in spans
        if span.rider_id is not None
    ]
    return {
        "session_id": session["session_id"],
        "found_on": found_on,
        "found_pct": session["gain_error_pct"],
        "last_good_on": good,
        "doubtful_from": doubtful,
        "riders": riders,
        "efforts": _efforts(fleet, tables["efforts"], meter_id, start, found_on, limit),
        "comparisons": _compared(tables["comparisons"], meter_id, start, found_on),
        "text": _sentence(meter_id, session["gain_error_pct"], found_on, good, doubtful),
    }


def _course(fleet: FleetFit, meter_id: str, days: list[date]) -> tuple[np.ndarray, np.ndarray]:
    """Return the smoothed error and its sd at noon of days, 100·ln."""
    return fleet.gain_error(("meter", meter_id), [noon(day) for day in days])


def p_out(mean_ln: np.ndarray, sd_ln: np.ndarray, limit: float) -> np.ndarray:
    """Return the chance of being out of tolerance, elementwise."""
    return 1 - p_within(percent_from_ln(mean_ln), percent_sd(mean_ln, sd_ln), np.array(limit))


def _doubtful_from(
    fleet: FleetFit, meter_id: str, start: date, end: date, limit: float
) -> date | None:
    """Return the first day, to the week, after which the meter stayed more likely out than in."""
    days = [start + timedelta(days=k) for k in range(1, (end - start).days, STEP_DAYS)]
    if not days:
        return None
    likely = p_out(*_course(fleet, meter_id, days), limit) > 0.5
    if not likely[-1]:
        return None
    calm = np.flatnonzero(~likely)
    return days[int(calm[-1]) + 1 if calm.size else 0]


def _efforts(
    fleet: FleetFit, efforts: pl.DataFrame, meter_id: str, start: date, end: date, limit: float
) -> list[AffectedEffort]:
    chosen = efforts.filter(
        (pl.col("meter_id") == meter_id) & (pl.col("date") > start) & (pl.col("date") < end)
    ).sort("date")
    if chosen.is_empty():
        return []
    mean, sd = _course(fleet, meter_id, chosen["date"].to_list())
    chance = p_out(mean, sd, limit)
    return [
        {
            "rider_id": row["rider_id"],
            "date": row["date"],
            "watts": row["watts"],
            "corrected_w": row["watts"] * ratio_from_ln(-float(m)),
            "p_out_of_tolerance": float(c),
        }
        for row, m, c in zip(chosen.iter_rows(named=True), mean, chance, strict=True)
    ]


def _compared(comparisons: pl.DataFrame, meter_id: str, start: date, end: date) -> list[str]:
    day = pl.col("measured_at").dt.date()
    chosen = comparisons.filter((pl.col("meter_id") == meter_id) & (day > start) & (day < end))
    return chosen["comparison_id"].unique().sort().to_list()


def _sentence(
    meter_id: str, found: float, on: date, good: date | None, doubtful: date | None
) -> str:
    last = f"its last good session was on {good}" if good else "no good session came before"
    text = f"{meter_id} was found at {found:+.1f} % on {on}; {last}."
    if doubtful is None:
        return (
            f"{text} Its course does not show it out for long before: it happened late, or the "
            "session is wrong. Hang it again."
        )
    return f"{text} It was more likely out than in from about {doubtful} on: correct those rides."
