"""Every meter's past, folded in session by session in the order of time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from itertools import pairwise
from typing import TypedDict, cast

import polars as pl

from models.bench.causes import (
    Happening,
    Move,
    Movement,
    Observed,
    Past,
    movement_of,
    programmed_ln,
)
from models.bench.measurement import Session
from models.bench.result import SessionResult
from models.metrology import ln_from_percent, ln_from_ratio

SURE = 0.99
U_UNSTATED_PCT = 0.3
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
    "slip_probability": pl.Float64,
}


class EarlierRow(TypedDict):
    """A session evaluated before, as far as the past asks: a row of `session_frame`."""

    session_id: str
    meter_id: str
    measured_at: datetime
    gain_error_pct: float
    as_left_gain_error_pct: float | None
    slope_before: float | None
    slope_after: float | None
    slope_before_left: float | None
    slope_after_left: float | None
    slope_before_right: float | None
    slope_after_right: float | None
    u_session_pct: float | None
    u_bench_pct: float | None
    u_place_pct: float | None
    u_crank_pct: float | None
    bench_id: str | None
    place_id: str | None
    crank_id: str | None
    crank_length_mm: float | None
    ring_difference_pct: float | None
    arm_difference_pct: float | None
    slip_probability: float | None


class Timeline:
    """Pasts by meter; earlier rows are folded in as the sessions reach their dates.

    earlier: rows of `session_frame`; ours: sessions that are being judged and are no past;
    happened: what was recorded of meters, as of `happenings`
    """

    def __init__(
        self,
        earlier: pl.DataFrame | None,
        ours: set[str],
        happened: Mapping[str, Sequence[Happening]] | None = None,
    ) -> None:
        self._happened = {name: list(found) for name, found in (happened or {}).items()}
        self._rows: dict[str, list[EarlierRow]] = {}
        self._pasts: dict[str, Past] = {}
        self.movement = Movement()
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
        newest_first = frame.sort("measured_at", descending=True).to_dicts()
        for row in cast("list[EarlierRow]", newest_first):
            self._rows.setdefault(row["meter_id"], []).append(row)

    def rows(self) -> Mapping[str, list[EarlierRow]]:
        """Return the earlier rows that no session has reached yet, by meter, newest first."""
        return self._rows

    def moves(
        self, conventions: Mapping[str, str | None], found: Mapping[str, Sequence[Observed]]
    ) -> list[Move]:
        """Return how every meter moved between its sessions, earlier ones and those given."""
        moves = []
        for meter_id in self._rows.keys() | found.keys():
            rows = [
                row for row in reversed(self._rows.get(meter_id, [])) if not row["slip_probability"]
            ]
            seen = [_from_row(row, conventions.get(meter_id)) for row in rows]
            moves += moves_of([*seen, *found.get(meter_id, ())])
        return moves

    def before(self, session: Session) -> Past:
        """Return the past of the session's meter as earlier rows tell it, without this day's hangs.

        What was recorded since is left to `shake`, once those hangs are folded in.
        """
        past = self._pasts.get(session.meter_id)
        if past is None:
            past = self._pasts[session.meter_id] = Past(movement=self.movement)
        rows = self._rows.get(session.meter_id)
        at = session.measured_at
        while rows and at is not None and rows[-1]["measured_at"] < at:
            row = rows.pop()
            self.shake(past, session.meter_id, row["measured_at"])
            fold(past, _from_row(row, session.meter.convention), row["slip_probability"])
        return past

    def shake(self, past: Past, meter_id: str, until: datetime | None) -> None:
        """Widen a meter's past by what was recorded of it up to an instant; None: all there is."""
        waiting = self._happened.get(meter_id)
        while waiting and (until is None or waiting[-1].since <= until):
            past.shaken += waiting.pop().variance


def fold(past: Past, seen: Observed, slip: float | None) -> None:
    """Fold a session in; of one that is surely a slip's, or the first, only the slope is kept."""
    if slip and (slip > SURE or past.last is None):
        past.note(seen)
    else:
        past.learn(seen, slip=slip or 0.0)


def moves_of(sessions: Sequence[Observed]) -> list[Move]:
    """Return how a meter moved from each session to the next; sessions in the order of time."""
    moves = []
    for before, now in pairwise(sessions):
        past = Past()
        past.learn(before)
        move = past.move(now)
        if move is not None:
            moves.append(move)
    return moves


def movement_from(earlier: pl.DataFrame | None, conventions: Mapping[str, str | None]) -> Movement:
    """Return how a fleet's meters move; arguments as of `pasts`."""
    return movement_of(Timeline(earlier, set()).moves(conventions, {}))


def pasts(
    earlier: pl.DataFrame | None,
    conventions: Mapping[str, str | None],
    ours: set[str],
    movement: Movement,
    happened: Mapping[str, Sequence[Happening]] | None = None,
) -> dict[str, Past]:
    """Return every meter's past after its last session, and what was recorded since.

    In   earlier: rows of `session_frame`; conventions: slope convention by meter_id; ours:
         sessions that are left out; movement: how the fleet's meters move; happened: what was
         recorded of them, as of `happenings`
    """
    timeline = Timeline(earlier, ours, happened)
    found: dict[str, Past] = {}
    for meter_id, rows in timeline.rows().items():
        past = Past(movement=movement)
        for row in reversed(rows):
            timeline.shake(past, meter_id, row["measured_at"])
            fold(past, _from_row(row, conventions.get(meter_id)), row["slip_probability"])
        timeline.shake(past, meter_id, None)
        found[meter_id] = past
    return found


def observed(result: SessionResult) -> Observed | None:
    """Return a session as the past keeps it, after work if there was any; None: no gain."""
    gain, session = result.deciding, result.session
    if gain is None or gain.ratio <= 0:
        return None
    as_left = result.as_left
    left = ln_from_ratio(as_left.ratio) if as_left is not None and as_left.ratio > 0 else None
    convention, slopes = session.meter.convention, session.slopes
    before: list[float | None]
    after: list[float | None]
    if slopes.before:
        before, after = [slopes.before], [slopes.after or slopes.before]
    else:
        before = [slopes.before_left, slopes.before_right]
        after = [slopes.after_left or slopes.before_left, slopes.after_right or slopes.before_right]
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


def _from_row(row: EarlierRow, convention: str | None) -> Observed:
    ring, arm = row["ring_difference_pct"], row["arm_difference_pct"]
    left = row["as_left_gain_error_pct"]
    before: list[float | None]
    after: list[float | None]
    if row["slope_before"] is not None:
        before = [row["slope_before"]]
        after = [row["slope_after"] or row["slope_before"]]
    else:
        before = [row["slope_before_left"], row["slope_before_right"]]
        after = [
            row["slope_after_left"] or row["slope_before_left"],
            row["slope_after_right"] or row["slope_before_right"],
        ]
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
        ring_difference=None if ring is None else ring / 100,
        arm_difference=None if arm is None else arm / 100,
    )


def _mean_p(slopes: Sequence[float | None], convention: str | None) -> float | None:
    values = [programmed_ln(slope, convention) for slope in slopes]
    known = [v for v in values if v is not None]
    return sum(known) / len(known) if known and len(known) == len(values) else None


def _or(value: float | None, default: float) -> float:
    return default if value is None else value
