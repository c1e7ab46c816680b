"""Describe one stretch in doubt: between which days it began and ended, how much, and why."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from models.coaching import EXAMPLE_W, Span
from models.doubts.causes import Cause
from models.doubts.documents import Doubt, DoubtCause, Ending
from models.doubts.told import said_of, what_now, why_of
from models.metrology import Array, interval90, percent_from_ln, ratio_from_ln

DAY = timedelta(days=1)
WEEK = timedelta(days=7)
HARDLY, NEARLY = 0.05, 0.95
TELLING_PCT, DRIFT_PCT = 0.3, 0.5  # less of a cause, or of what no cause explains, goes unsaid


@dataclass(frozen=True)
class Course:
    """A span day by day: shown over the rider's watts, its sd (100·ln), the chance to be within.

    lasts: whether the span goes on today
    """

    span: Span
    mean: Array
    sd: Array
    p_within: Array
    lasts: bool

    def offset(self, day: date) -> int:
        """Return how many days a day lies after the span's first."""
        return (day - self.span.first).days

    def day(self, offset: int) -> date:
        """Return the day that lies so many days after the span's first."""
        return self.span.first + offset * DAY


def doubt_of(
    course: Course,
    first: int,
    last: int,
    *,
    causes: Sequence[Cause],
    beside: Sequence[DoubtCause],
    changed: Sequence[date],
    legs: bool,
) -> Doubt:
    """Return the stretch from a first to a last day of a course, both counted from its first.

    causes: what may explain it; beside: what legs, ring and chain add; changed: days on which the
    meter's slope or setting was changed, or work was done on it; legs: whether the rider's count
    """
    earliest, latest = _began(course, first, last, causes)
    ending, ends = _ended(course, last, changed)
    settled = slice(min(course.offset(latest), last), last + 1)
    value = float(course.mean[settled].mean())
    spread = math.hypot(float(course.sd[settled].mean()), _uneven(course.mean[settled]))
    low, high = interval90(value, spread)
    why = _causes(course, settled, value, [*_in(course, settled, causes), *beside])
    row: Doubt = {
        "meter_id": course.span.meter_id,
        "rider_id": course.span.rider_id,
        "from_earliest": earliest,
        "from_latest": latest,
        "taken_over": first == 0 and earliest == latest == course.span.first,
        "to_earliest": ends[0] if ends else None,
        "to_latest": ends[1] if ends else None,
        "ending": ending,
        "error_pct": percent_from_ln(value),
        "interval90_pct": [low, high],
        "example_w": EXAMPLE_W,
        "shown_w": EXAMPLE_W * ratio_from_ln(value),
        "rider_factor": ratio_from_ln(-value),
        "rider_interval90": [1 / (1 + end / 100) for end in (high, low)],
        "p_out_of_tolerance": float(1 - course.p_within[first : last + 1].min()),
        "causes": why,
        "why": why_of(why),
        "what_now": str(what_now(ending, why)),
        "text": "",
    }
    return {**row, "text": said_of(row, legs=legs)}


def _uneven(mean: Array) -> float:
    return float(np.ptp(mean)) / math.sqrt(12.0)


def _in(course: Course, days: slice, causes: Sequence[Cause]) -> list[DoubtCause]:
    """Return the causes that are in force within some days."""
    first, last = course.day(days.start), course.day(days.stop - 1)
    return [
        {"kind": cause.kind, "size_pct": cause.size_pct}
        for cause in causes
        if cause.earliest <= last and (cause.until is None or cause.until > first)
    ]


def _causes(
    course: Course, days: slice, value: float, found: Sequence[DoubtCause]
) -> list[DoubtCause]:
    """Return what explains an error of `value` (100·ln): what goes its way, and the drift left."""
    way = math.copysign(1.0, value)
    sizes = [(one, one["size_pct"]) for one in found]
    why = [one for one, size in sizes if size is None or way * size >= TELLING_PCT]
    left = percent_from_ln(value) - sum(one["size_pct"] or 0.0 for one in why)
    if not why or (way * left >= DRIFT_PCT and all(one["size_pct"] is not None for one in why)):
        why.append({"kind": "drift", "size_pct": left})
    return why


def _began(course: Course, first: int, last: int, causes: Sequence[Cause]) -> tuple[date, date]:
    """Return the days between which a stretch began."""
    start, end = course.day(first), course.day(last)
    dated = [c for c in causes if c.earliest - WEEK <= start <= c.latest + WEEK]
    if dated:
        cause = min(dated, key=lambda c: (c.latest - c.earliest, c.earliest))
        begin = max(cause.earliest, course.span.first)
        return begin, max(begin, min(cause.latest, end))
    if first == 0:
        return start, start
    out = 1 - course.p_within
    calm = np.flatnonzero(out[: first + 1] <= HARDLY)
    sure = np.flatnonzero(out[first : last + 1] >= NEARLY)
    early = int(calm[-1]) + 1 if calm.size else 0
    return course.day(min(early, first)), course.day(first + int(sure[0])) if sure.size else end


def _ended(
    course: Course, last: int, changed: Sequence[date]
) -> tuple[Ending, tuple[date, date] | None]:
    """Return how a stretch ended, and between which days."""
    following = course.day(last) + DAY
    final = last == len(course.mean) - 1
    if final and course.lasts:
        return "lasts", None
    mended = [day for day in changed if abs(day - following) <= DAY]
    if mended:
        return "put_right", (mended[-1], mended[-1])
    if final:
        return "handed_on", (course.span.last, course.span.last)
    out = 1 - course.p_within
    sure, calm = np.flatnonzero(out[: last + 1] >= NEARLY), np.flatnonzero(out[last:] <= HARDLY)
    early = int(sure[-1]) if sure.size else last
    late = last + int(calm[0]) if calm.size else len(out) - 1
    return "back", (course.day(early), course.day(late))
