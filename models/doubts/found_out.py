"""Which rides are affected when a meter is found out of tolerance: back to the last good session.

Between the last session that left the meter within tolerance and the one that found it out,
nobody knew. The fleet model's smoothed course says from when on it was out, and by how much. A
pair is out as its worse side is: what its sides lie apart is drawn straight from one session to
the next.
"""

from datetime import date, datetime, timedelta
from typing import NamedTuple, TypedDict

import numpy as np
import polars as pl

from models.coaching import ridden
from models.doubts.documents import AffectedEffort, AffectedRider, FoundOut
from models.fleet import FleetFit
from models.metrology import Array, noon, percent_from_ln, percent_sd, ratio_from_ln
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

    In   sessions: `session_frame`; tables: assignments, efforts, comparisons; since: the
         meter's first day in service, where no good session precedes
    """
    own = sessions.filter(
        (pl.col("meter_id") == meter_id) & pl.col("gain_error_pct").is_finite()
    ).sort("measured_at")
    rows, good, left = [], None, None
    for session in typed_rows(own, _Session):
        out = max(map(abs, _found(session))) > tolerance_pct
        if out:
            rows.append(
                _one(
                    _Course(fleet, meter_id, session, left, tolerance_pct),
                    tables,
                    session,
                    good,
                    since=since,
                )
            )
        if not out or session["slope_after"] is not None:
            good = session["measured_at"].date()
        left = session
    return rows[::-1]


class _Session(TypedDict):
    session_id: str
    measured_at: datetime
    gain_error_pct: float
    slope_after: float | None
    arm_difference_pct: float | None
    side_half_ln: float | None


def _found(session: _Session) -> tuple[float, ...]:
    """Return what was found, %: a pair's left and right side; of other meters one number."""
    mean, gap = session["gain_error_pct"], session["arm_difference_pct"]
    if session["side_half_ln"] is None or gap is None:
        return (mean,)
    return (mean + gap / 2, mean - gap / 2)


class _Course(NamedTuple):
    """A meter's smoothed course up to the session that found it out.

    before: the session before, which left a pair's sides as they were then; limit: tolerance, %
    """

    fleet: FleetFit
    meter_id: str
    session: _Session
    before: _Session | None
    limit: float

    def mean(self, days: list[date]) -> tuple[Array, Array]:
        """Return the error and its sd at noon of days, 100·ln; of a pair that of its mean."""
        return self.fleet.gain_error(("meter", self.meter_id), [noon(day) for day in days])

    def p_out(self, days: list[date]) -> Array:
        """Return the chance of being out of tolerance, of a pair that of its worse side."""
        mean, sd = self.mean(days)
        half = self._half(days)
        return np.fmax(p_out(mean + half, sd, self.limit), p_out(mean - half, sd, self.limit))

    def _half(self, days: list[date]) -> Array:
        """Return half of what a pair's left side reads above its right, 100·ln; else 0."""
        sides = _found(self.session)
        if len(sides) == 1:
            return np.zeros(len(days))
        now = (sides[0] - sides[1]) / 2
        then = self.before and self.before["side_half_ln"]
        if self.before is None or then is None:
            return np.full(len(days), now)
        ends = [self.before["measured_at"].timestamp(), self.session["measured_at"].timestamp()]
        return np.interp([noon(day).timestamp() for day in days], ends, [then, now])


def _one(
    course: _Course,
    tables: dict[str, pl.DataFrame],
    session: _Session,
    good: date | None,
    *,
    since: date,
) -> FoundOut:
    meter_id = course.meter_id
    found_on = session["measured_at"].date()
    start = good or min(since, found_on)
    doubtful = _doubtful_from(course, start, found_on)
    spans = ridden(
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
        "efforts": _efforts(course, tables["efforts"], start, found_on),
        "comparisons": _compared(tables["comparisons"], meter_id, start, found_on),
        "text": _sentence(meter_id, session, good, doubtful),
    }


def p_out(mean_ln: Array, sd_ln: Array, limit: float) -> Array:
    """Return the chance of being out of tolerance, elementwise."""
    return 1 - p_within(percent_from_ln(mean_ln), percent_sd(mean_ln, sd_ln), np.array(limit))


def _doubtful_from(course: _Course, start: date, end: date) -> date | None:
    """Return the first day, to the week, after which the meter stayed more likely out than in."""
    days = [start + timedelta(days=k) for k in range(1, (end - start).days, STEP_DAYS)]
    if not days:
        return None
    likely = course.p_out(days) > 0.5
    if not likely[-1]:
        return None
    calm = np.flatnonzero(~likely)
    return days[int(calm[-1]) + 1 if calm.size else 0]


def _efforts(
    course: _Course, efforts: pl.DataFrame, start: date, end: date
) -> list[AffectedEffort]:
    chosen = efforts.filter(
        (pl.col("meter_id") == course.meter_id) & (pl.col("date") > start) & (pl.col("date") < end)
    ).sort("date")
    if chosen.is_empty():
        return []
    days = chosen["date"].to_list()
    mean, chance = course.mean(days)[0], course.p_out(days)
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


def _sentence(meter_id: str, session: _Session, good: date | None, doubtful: date | None) -> str:
    found, on, sides = session["gain_error_pct"], session["measured_at"].date(), _found(session)
    apart = f" (left {sides[0]:+.1f} %, right {sides[-1]:+.1f} %)" if len(sides) > 1 else ""
    last = f"its last good session was on {good}" if good else "no good session came before"
    text = f"{meter_id} was found at {found:+.1f} %{apart} on {on}; {last}."
    if doubtful is None:
        return (
            f"{text} Its course does not show it out for long before: it happened late, or the "
            "session is wrong. Hang it again."
        )
    return f"{text} It was more likely out than in from about {doubtful} on: correct those rides."
