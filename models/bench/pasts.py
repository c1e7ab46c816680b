"""Every meter's past, met in the order of time while sessions are judged."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import polars as pl

from models.bench.measurement import Session
from models.bench.own_past import Observed, Past, programmed_ln
from models.bench.result import SessionResult
from models.metrology import ln_from_percent, ln_from_ratio

DOUBTED = ("repeat", "fix_setting")
"""Advice of sessions that the past had better not learn from."""
_WANTED: dict[str, pl.DataType | type[pl.DataType]] = {
    "session_id": pl.String,
    "meter_id": pl.String,
    "measured_at": pl.Datetime("us", "UTC"),
    "gain_error_pct": pl.Float64,
    "as_left_gain_error_pct": pl.Float64,
    "slope_before": pl.Float64,
    "slope_after": pl.Float64,
    **{f"slope_{w}_{s}": pl.Float64 for w in ("before", "after") for s in ("left", "right")},
    **{f"u_{part}_pct": pl.Float64 for part in ("session", "bench", "place", "crank")},
    **dict.fromkeys(("bench_id", "place_id", "crank_id"), pl.String),
    "crank_length_mm": pl.Float64,
    "ring_difference_pct": pl.Float64,
    "arm_difference_pct": pl.Float64,
    "advice": pl.String,
    "document": pl.String,
}
U_UNSTATED_PCT = 0.3


class Timeline:
    """Pasts by meter; earlier rows are folded in as the sessions reach their dates."""

    def __init__(self, earlier: pl.DataFrame | None, ours: set[str]) -> None:
        self._rows: dict[str, list[dict[str, Any]]] = {}
        self._pasts: dict[str, Past] = {}
        if earlier is None or earlier.is_empty():
            return
        frame = earlier.select(
            (pl.col(name) if name in earlier.columns else pl.lit(None)).cast(kind).alias(name)
            for name, kind in _WANTED.items()
        ).filter(
            pl.col("gain_error_pct").is_finite()
            & (pl.col("gain_error_pct") > -90)
            & ~pl.col("session_id").is_in(list(ours)).fill_null(False)
        )
        for row in frame.sort("measured_at", descending=True).to_dicts():
            self._rows.setdefault(row["meter_id"], []).append(row)

    def rows(self) -> Mapping[str, list[dict[str, Any]]]:
        """The earlier rows that no session has reached yet, by meter, the newest first."""
        return self._rows

    def before(self, session: Session) -> Past:
        """The past of the session's meter up to the session."""
        past = self._pasts.setdefault(session.meter_id, Past())
        rows = self._rows.get(session.meter_id)
        at = session.measured_at
        while rows and at is not None and rows[-1]["measured_at"] < at:
            row = rows.pop()
            if row["advice"] not in DOUBTED:
                past.learn(_from_row(row, session.meter.convention))
        return past


def pasts(earlier: pl.DataFrame | None, conventions: Mapping[str, str | None]) -> dict[str, Past]:
    """Every meter's past after its last session.

    In   earlier: session_results; conventions: slope convention by meter_id
    """
    found: dict[str, Past] = {}
    for meter_id, rows in Timeline(earlier, set()).rows().items():
        past = Past()
        believed = [row for row in reversed(rows) if row["advice"] not in DOUBTED]
        for row in believed[:-1]:  # only the last session's differences are looked at again
            past.learn(_from_row(row | {"document": None}, conventions.get(meter_id)))
        for row in believed[-1:]:
            past.learn(_from_row(row, conventions.get(meter_id)))
        found[meter_id] = past
    return found


def observed(result: SessionResult) -> Observed | None:
    """A session as the past keeps it (after work, where there was any); None without a gain."""
    gain, session = result.deciding, result.session
    if gain is None or gain.ratio <= 0:
        return None
    as_left = result.as_left
    left = ln_from_ratio(as_left.ratio) if as_left is not None and as_left.ratio > 0 else None
    convention, slopes = session.meter.convention, session.slopes
    before: list[float | None]
    before = [slopes.before] if slopes.before else [slopes.before_left, slopes.before_right]
    after = [
        a or b
        for a, b in (
            ((slopes.after, slopes.before),)
            if slopes.before
            else (
                (slopes.after_left, slopes.before_left),
                (slopes.after_right, slopes.before_right),
            )
        )
    ]
    return Observed(
        at=session.measured_at,
        found=ln_from_ratio(gain.ratio),
        as_left=left,
        p_before=_mean_p(before, convention),
        p_after=_mean_p(after, convention),
        u_session=gain.part_ln("session"),
        u_bench=gain.part_ln("bench"),
        u_place=gain.part_ln("place"),
        u_crank=gain.part_ln("crank"),
        bench_id=session.bench_id,
        place_id=session.place_id,
        crank_id=session.crank_id,
        crank_length_mm=session.crank_length_mm,
        ring_difference=result.ring_difference,
        arm_difference=result.arm_difference,
    )


def _from_row(row: dict[str, Any], convention: str | None) -> Observed:
    ring, arm = _differences(row)
    left = row["as_left_gain_error_pct"]
    sides = ("_left", "_right")
    whole = row["slope_before"] is not None
    before = [row["slope_before"]] if whole else [row[f"slope_before{s}"] for s in sides]
    after = [row[f"slope_after{s}"] or row[f"slope_before{s}"] for s in (("",) if whole else sides)]
    return Observed(
        at=row["measured_at"],
        found=ln_from_percent(row["gain_error_pct"]),
        as_left=None if left is None or left <= -90 else ln_from_percent(left),
        p_before=_mean_p(before, convention),
        p_after=_mean_p(after, convention),
        u_session=_or(row["u_session_pct"], U_UNSTATED_PCT),
        u_bench=_or(row["u_bench_pct"], 0.0),
        u_place=_or(row["u_place_pct"], 0.0),
        u_crank=_or(row["u_crank_pct"], 0.0),
        bench_id=row["bench_id"],
        place_id=row["place_id"],
        crank_id=row["crank_id"],
        crank_length_mm=row["crank_length_mm"],
        ring_difference=ring,
        arm_difference=arm,
    )


def _differences(row: dict[str, Any]) -> tuple[float | None, float | None]:
    """Ring and arm difference as ratios: columns of their own, else from the document."""
    ring, arm = row["ring_difference_pct"], row["arm_difference_pct"]
    if ring is None and arm is None and row["document"]:
        document = json.loads(row["document"])
        ring, arm = document.get("ring_difference_pct"), document.get("arm_difference_pct")
    return (
        None if ring is None else ring / 100,
        None if arm is None else arm / 100,
    )


def _mean_p(slopes: list[float | None], convention: str | None) -> float | None:
    values = [programmed_ln(slope, convention) for slope in slopes]
    known = [v for v in values if v is not None]
    return sum(known) / len(known) if known and len(known) == len(values) else None


def _or(value: float | None, default: float) -> float:
    return default if value is None else value
