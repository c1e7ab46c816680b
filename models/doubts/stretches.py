"""Find the stretches in which a meter's watts are in doubt under a rider.

A day is in doubt where the watts are more likely out of tolerance than in; and all the days of a
cause (a step, a setting, a reset on a wrong entry …) that makes them less sure to be within than
the team's target. A stretch begins and ends between the days on which the chance of being out
passes 5 and 95 %, or between those on which its cause happened or was mended.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from models.coaching import Road, Span, Use
from models.doubts.causes import Cause, Past
from models.doubts.documents import CauseKind, Doubt, DoubtCause
from models.doubts.one_stretch import Course, doubt_of
from models.metrology import Mask, percent_from_ln, percent_sd
from models.records import DRIVE, RIDER
from models.status import p_within

DAY = timedelta(days=1)
STEP = 14  # days between which the error is drawn straight, where nothing is dated
MORE_LIKELY = 0.5
TELLING_PCT = 0.3  # less of one cause is not worth a word
BESIDE: dict[str, CauseKind] = {RIDER: "legs", DRIVE: "chain"}


@dataclass(frozen=True)
class Judged:
    """By what a day is judged. limits: each meter's tolerance, %; target: of being within it.

    legs: whether the rider's legs count, and may be told
    """

    limits: Mapping[str, float]
    target: float
    today: date
    legs: bool = True


def doubts_of(road: Road, spans: Sequence[Span], past: Past, judged: Judged) -> list[Doubt]:
    """Return the stretches in doubt within spans of meters under riders, the newest first."""
    found = [doubt for span in _joined(spans) for doubt in _of_span(road, span, past, judged)]
    return sorted(found, key=lambda row: (row["from_latest"], row["meter_id"]), reverse=True)


def lasting(doubts: Sequence[Doubt]) -> list[Doubt]:
    """Return those that last."""
    return [row for row in doubts if row["ending"] == "lasts"]


def _joined(spans: Sequence[Span]) -> list[Span]:
    """Return spans with those of one meter and rider that follow one another put together."""
    out: list[Span] = []
    for span in sorted(spans, key=lambda s: (s.meter_id, s.first)):
        last = out[-1] if out else None
        same = last and (last.meter_id, last.rider_id) == (span.meter_id, span.rider_id)
        if last and same and span.first <= last.last + DAY:
            out[-1] = Span(span.meter_id, span.rider_id, last.first, max(last.last, span.last))
        else:
            out.append(span)
    return out


def _of_span(road: Road, span: Span, past: Past, judged: Judged) -> list[Doubt]:
    causes = [
        cause
        for cause in past.causes.get(span.meter_id, ())
        if cause.earliest <= span.last and (cause.until is None or cause.until > span.first)
    ]
    changed = past.changed.get(span.meter_id, ())
    course = _course(road, span, [*_days(causes), *changed], judged)
    doubtful, telling = course.p_within < MORE_LIKELY, []
    for cause in causes:
        days = _in_force(course, cause)
        if days.any() and course.p_within[days].min() < judged.target:
            doubtful |= days
            telling.append(cause)
    beside = _beside(road, Use(span.meter_id, span.last, span.rider_id), judged)
    return [
        doubt_of(
            course, first, last, causes=telling, beside=beside, changed=changed, legs=judged.legs
        )
        for first, last in _runs(
            doubtful, sure=course.p_within >= judged.target, lasts=course.lasts
        )
    ]


def _beside(road: Road, use: Use, judged: Judged) -> list[DoubtCause]:
    """Return what legs and chain add for as long as a meter stays with its rider."""
    added = road.added(use, legs=judged.legs and use.rider_id is not None)
    return [{"kind": BESIDE[kind], "size_pct": size} for kind, size in added if kind in BESIDE]


def _days(causes: Sequence[Cause]) -> set[date]:
    return {day for c in causes for day in (c.earliest, c.latest, c.until) if day}


def _course(road: Road, span: Span, dated: Sequence[date], judged: Judged) -> Course:
    """Return the course of a span, worked out by the week and around what is dated."""
    length = (span.last - span.first).days + 1
    near = {(day - span.first).days + k for day in dated for k in (-1, 0)}
    grid = sorted({0, length - 1, *range(0, length, STEP), *(k for k in near if 0 <= k < length)})
    uses = [Use(span.meter_id, span.first + k * DAY, span.rider_id) for k in grid]
    legs = judged.legs and span.rider_id is not None
    mean, covariance = road.rider(uses) if legs else road.bike(uses)
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    mean, sd = (np.interp(np.arange(length), grid, values) for values in (mean, sd))
    limit = np.array(judged.limits[span.meter_id])
    within = p_within(percent_from_ln(mean), percent_sd(mean, sd), limit)
    return Course(span, mean, sd, within, lasts=span.last >= judged.today)


def _in_force(course: Course, cause: Cause) -> Mask:
    """Return the days on which a cause adds to the error that there is."""
    day, first = np.arange(len(course.mean)), course.offset(cause.earliest)
    last = course.offset(cause.until) if cause.until else len(day)
    size = cause.size_pct
    adds = True if size is None else (course.mean * size > 0) & (abs(size) >= TELLING_PCT)
    return np.asarray((day >= first) & (day < last) & adds)


def _runs(doubtful: Mask, *, sure: Mask, lasts: bool) -> list[tuple[int, int]]:
    """Return first and last day of each stretch; it goes on until a day that is sure to be within.

    lasts: whether the last day is today, which a stretch reaches if no sure day lies between
    """
    runs: list[tuple[int, int]] = []
    since_sure = np.cumsum(sure & ~doubtful)
    for at in np.flatnonzero(doubtful).tolist():
        if runs and since_sure[at] == since_sure[runs[-1][1]]:
            runs[-1] = (runs[-1][0], at)
        else:
            runs.append((at, at))
    if runs and lasts and since_sure[-1] == since_sure[runs[-1][1]]:
        runs[-1] = (runs[-1][0], len(doubtful) - 1)
    return runs
