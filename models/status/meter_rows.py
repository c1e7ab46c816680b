"""Make the rows of meters in `status`, from the table of what is due."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import polars as pl

from models.metrology import Z90
from models.records import typed_rows
from models.status.documents import Alarm, MeterFacts, MeterStatus, Temperature

BENCH_C, USE_C = 20.0, (2.0, 38.0)
"""Gain errors are stated at the one; meters are used between the others (°C)."""
TURNING_ONLY = (
    "It shows torque only when turning, so the bench cannot tell: ride it against a device that "
    "you trust."
)


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
        strict=True,
    )
    rows: list[MeterStatus] = []
    for facts, (low, high), warmth, static in parts:
        row: MeterStatus = {
            **facts,
            "interval90_pct": [low, high],
            "alarms": alarms.get(facts["meter_id"], []),
            "temperature": temperature(facts["gain_error_pct"], facts["gain_error_sd_pct"], warmth),
        }
        if static is False:
            row["next_action"] = TURNING_ONLY
        row["reasons"] += _more_reasons(row)
        rows.append(row)
    return rows


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


def _more_reasons(row: MeterStatus) -> Iterable[str]:
    """Yield what the table cannot tell: a meter not listed, one that the weather may take out."""
    if not row["listed"]:
        yield "Not in the meters table: its kind and age are guesses."
    told, limit = row["temperature"], row["tolerance_pct"]
    if told is None or any(end is None or abs(end) > limit for end in row["interval90_pct"]):
        return
    low, high = told["interval90_in_use_pct"]
    if max(-low, high) <= limit:
        return
    slope = told["coefficient_pct_per_c"]
    known = "is not known" if slope is None else f"is {slope:+.3f} % a degree"
    yield (
        f"Between {USE_C[0]:g} and {USE_C[1]:g} °C it may read {low:+.1f} to {high:+.1f} %: its "
        f"temperature coefficient {known}."
    )
