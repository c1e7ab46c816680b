"""Make the rows of meters in `status`, from the table of what is due."""

import math
from collections.abc import Iterable, Mapping

import polars as pl

from models.metrology import Z90
from models.records import typed_rows
from models.status.documents import (
    Alarm,
    MeterFacts,
    MeterStatus,
    PairSides,
    SideStatus,
    Temperature,
)
from models.wording import Reason

BENCH_C, USE_C = 20.0, (2.0, 38.0)
"""Gain errors are stated at the one; meters are used between the others (°C)."""


def meter_rows(
    table: pl.DataFrame, here: pl.DataFrame, alarms: Mapping[str, list[Alarm]]
) -> list[MeterStatus]:
    """Return a row a meter, in the order of both frames.

    In   table: DUE_SCHEMA; here: the kept meters with their drift in percent a year; alarms of
         each meter, newest first
    """
    frame = table.hstack(here.drop(set(here.columns) & set(table.columns)))
    parts = zip(
        typed_rows(frame, MeterFacts),
        frame.select("lo90_pct", "hi90_pct").iter_rows(),
        frame.select("warmth_ln", "warmth_sd_ln", "warmth_known").iter_rows(),
        frame["static_check"],
        [_sides(row) for row in frame.iter_rows(named=True)],
        strict=True,
    )
    rows: list[MeterStatus] = []
    for facts, (low, high), warmth, static, pair in parts:
        row: MeterStatus = {
            **facts,
            "sides": pair,
            "interval90_pct": [low, high],
            "alarms": alarms.get(facts["meter_id"], []),
            "temperature": temperature(facts["gain_error_pct"], facts["gain_error_sd_pct"], warmth),
        }
        instead = _instead(facts, static)
        if instead is not None:
            row["next_action"], row["short_action"] = str(instead), instead.short
        more = list(_more_reasons(row))
        row["reasons"] += map(str, more)
        row["reason_kinds"] += [reason.kind for reason in more]
        row["short_reason"] = next(
            filter(None, [row["short_reason"], *(r.short for r in more)]), None
        )
        rows.append(row)
    return rows


def _instead(row: MeterFacts, static: bool | None) -> Reason | None:
    """Return what to do where the bench cannot tell, or where no date presses: nobody rides it."""
    if static is False:
        return Reason("ride_it")
    spare = row["role"] is not None and row["rider_id"] is None
    if spare and row["status"] in ("ok", "soon", "due") and row["due_date"] is not None:
        return Reason("bench_before_ridden", due_on=row["due_date"])
    return None


def _sides(row: Mapping[str, float | None]) -> PairSides | None:
    """Return both sides of a pair; None where they are not told apart."""
    left, right = _side(row, "left"), _side(row, "right")
    return None if left is None or right is None else {"left": left, "right": right}


def _side(row: Mapping[str, float | None], side: str) -> SideStatus | None:
    error, sd, p = row[f"{side}_pct"], row[f"{side}_sd_pct"], row[f"{side}_p"]
    if error is None or sd is None or p is None:
        return None
    return {
        "gain_error_pct": error,
        "gain_error_sd_pct": sd,
        "interval90_pct": [error - Z90 * sd, error + Z90 * sd],
        "p_within_tolerance": p,
    }


def temperature(
    mean_pct: float | None, sd_pct: float | None, warmth: tuple[float | None, float, bool]
) -> Temperature | None:
    """Return the gain's temperature coefficient and what the meter may read in cold and heat.

    warmth: the coefficient and its sd (100·ln a degree), and whether it was estimated
    """
    slope, u, known = warmth
    if slope is None or mean_pct is None or sd_pct is None:
        return None
    ends = [
        mean_pct + slope * (t - BENCH_C) + sign * Z90 * math.hypot(sd_pct, u * (t - BENCH_C))
        for t in (*USE_C, BENCH_C)
        for sign in (-1, 1)
    ]
    return {
        "coefficient_pct_per_c": slope if known else None,
        "coefficient_sd_pct_per_c": u,
        "known": known,
        "use_c": list(USE_C),
        "interval90_in_use_pct": [min(ends), max(ends)],
    }


def _more_reasons(row: MeterStatus) -> Iterable[Reason]:
    """Yield what the table cannot tell: a meter not listed, one that the weather may take out."""
    if not row["listed"]:
        yield Reason("not_listed")
    told, limit = row["temperature"], row["tolerance_pct"]
    if told is None or any(end is None or abs(end) > limit for end in row["interval90_pct"]):
        return
    low, high = told["interval90_in_use_pct"]
    if max(-low, high) <= limit:
        return
    slope, (cold, hot) = told["coefficient_pct_per_c"], USE_C
    if slope is None:
        yield Reason("warm_or_cold", low_c=cold, high_c=hot, low_pct=low, high_pct=high)
        return
    yield Reason(
        "warm_or_cold_known",
        low_c=cold,
        high_c=hot,
        low_pct=low,
        high_pct=high,
        slope_pct=slope,
    )
