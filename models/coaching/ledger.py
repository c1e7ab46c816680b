"""The ledger of correction factors: true watts = shown watts × factor.

The factor makes what an errorless sensor had shown; the rider's factor what the rider put out,
legs, ring and chain taken out too.

A row holds from its first to its last day, both included. A new row begins with each month,
with each assignment of a meter to a rider, and on the day of each reset of the slope: rides on
that day are taken to come after the bench, and the row says so. Where a meter has stepped on a
day that nobody knows, rows begin and end with the days it may have been, and say so too.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
import polars as pl

from ingest.schema import confirmed, in_force
from models.coaching.documents import LedgerRow
from models.coaching.effort_days import Joint
from models.metrology import Z90, noon, ratio_from_ln

DAY = timedelta(days=1)


@dataclass(frozen=True)
class Span:
    """A meter under a rider from a day to a day, both included."""

    meter_id: str
    rider_id: str | None
    first: date
    last: date
    reset_on_first: bool = False
    step_between: tuple[date, date] | None = None

    def instants(self) -> list[datetime]:
        """Return where the factor is taken: just inside both ends and in the middle."""
        start = datetime.combine(self.first, time(23, 59), tzinfo=UTC)
        end = noon(self.last)
        end = max(start, end)
        return [start, start + (end - start) / 2, end]


def ridden(
    assignments: pl.DataFrame,
    *,
    first: date,
    last: date,
    meter_id: str | None,
    rider_id: str | None,
) -> list[Span]:
    """Return who rode what in a period, from the assignments (to_date included; empty: still).

    For a meter: stretches without an assignment are kept, with no rider. On the day of a
    handover the new rider's row counts.
    """
    rows = assignments.filter(in_force(first, last)).sort("from_date")
    if meter_id is not None:
        rows = rows.filter(pl.col("meter_id") == meter_id)
    if rider_id is not None:
        rows = rows.filter(pl.col("rider_id") == rider_id)
    spans: list[Span] = []
    for row in rows.to_dicts():
        begin = max(first, row["from_date"])
        end = min(last, row["to_date"] or last)
        spans = [
            replace(s, last=min(s.last, begin - DAY)) if s.meter_id == row["meter_id"] else s
            for s in spans
        ]
        spans.append(Span(row["meter_id"], row["rider_id"], begin, end))
    spans = [span for span in spans if span.first <= span.last]
    return spans if meter_id is None else _with_gaps(spans, meter_id, first, last)


def _with_gaps(spans: list[Span], meter_id: str, first: date, last: date) -> list[Span]:
    out: list[Span] = []
    at = first
    for span in spans:
        if span.first > at:
            out.append(Span(meter_id, None, at, span.first - DAY))
        out.append(span)
        at = span.last + DAY
    if at <= last:
        out.append(Span(meter_id, None, at, last))
    return out


def cut(
    spans: Iterable[Span], resets: pl.DataFrame, steps: pl.DataFrame | None = None
) -> list[Span]:
    """Cut at each month's start, on each day of a reset, and around steps on an unknown day.

    In  resets: meter_id, at (Datetime); steps: meter_id, earliest, latest
    """
    spans = list(spans)
    concerned = resets.filter(pl.col("meter_id").is_in({span.meter_id for span in spans}))
    days = concerned.select("meter_id", day=pl.col("at").dt.date()).unique()
    of_meter = {
        str(meter): set(part["day"].to_list())
        for (meter,), part in days.group_by("meter_id", maintain_order=True)
    }
    unknown: dict[str, list[tuple[date, date]]] = {}
    for meter, first, last in () if steps is None else steps.iter_rows():
        unknown.setdefault(meter, []).append((first, last))
    return [
        piece
        for span in spans
        for piece in _pieces(
            span, of_meter.get(span.meter_id, set()), unknown.get(span.meter_id, [])
        )
    ]


def _pieces(span: Span, reset_days: set[date], steps: list[tuple[date, date]]) -> Iterable[Span]:
    months = {
        date(year, month, 1)
        for year in range(span.first.year, span.last.year + 1)
        for month in range(1, 13)
    }
    ends = {first + DAY for first, _ in steps} | {last + DAY for _, last in steps}
    starts = sorted(
        {span.first} | {day for day in months | reset_days | ends if span.first < day <= span.last}
    )
    for start, following in zip(starts, [*starts[1:], span.last + DAY], strict=True):
        within = [step for step in steps if step[0] < start <= step[1]]
        yield Span(
            span.meter_id,
            span.rider_id,
            start,
            following - DAY,
            reset_on_first=start in reset_days,
            step_between=within[0] if within else None,
        )


def rows(spans: Sequence[Span], sensor: Joint, rider: Joint | None = None) -> list[LedgerRow]:
    """Return the ledger's rows.

    In  sensor: mean [3n] and covariance [3n, 3n] of the gain errors (100·ln) at each span's
        `instants`, in order, a ride's own day in them; the factor is that of their mean; rider: of
        what is shown over the rider's watts (None: the same). The interval holds a single ride's
        factor: each day has its own legs, temperature and repeatability.
    """
    out: list[LedgerRow] = []
    for i, span in enumerate(spans):
        part = slice(3 * i, 3 * i + 3)
        factor, interval = _factor(sensor, part)
        own, own_interval = _factor(rider or sensor, part)
        out.append(
            {
                "meter_id": span.meter_id,
                "rider_id": span.rider_id,
                "from_date": span.first,
                "to_date": span.last,
                "factor": factor,
                "interval90": interval,
                "rider_factor": own,
                "rider_interval90": own_interval,
                "note": _note(span),
            }
        )
    return out


def _factor(joint: Joint, part: slice) -> tuple[float, list[float]]:
    """Return the factor of a row and its 90 % interval; the error moves within the row."""
    means, variance = joint[0][part], float(np.diag(joint[1])[part].mean())
    mean = float(means.mean())
    sd = math.hypot(math.sqrt(max(0.0, variance)), float(np.ptp(means)) / math.sqrt(12.0))
    return ratio_from_ln(-mean), [ratio_from_ln(-(mean + s * Z90 * sd)) for s in (1, -1)]


def _note(span: Span) -> str | None:
    notes = []
    if span.reset_on_first:
        notes.append("slope reset on the first day: holds for rides after the bench")
    if span.step_between is not None:
        first, last = span.step_between
        notes.append(
            f"the meter stepped on a day between {first} and {last} that nobody knows: the factor "
            "lies between those before and after it"
        )
    return "; ".join(notes) or None


def corrected_elsewhere(
    spans: Sequence[Span], resets: pl.DataFrame, events: pl.DataFrame
) -> list[str]:
    """Return warnings where watts may be corrected already, in the meter or the head unit.

    In   resets: as from `models.records.slope_chain`; events: the events table
    """
    changes = events.filter((pl.col("event") == "setting_change") & confirmed())
    hidden = resets.filter(~pl.col("recorded"))
    warned = []
    for span in spans:
        own = changes.filter(
            (pl.col("meter_id") == span.meter_id) & pl.col("date").is_between(span.first, span.last)
        )
        warned += [_changed(span.meter_id, day) for day in own["date"].unique().sort()]
        mine = hidden.filter(pl.col("meter_id") == span.meter_id)
        for row in mine.iter_rows(named=True):
            gap = row["earliest"].date(), row["latest"].date()
            if gap[0] <= span.last and span.first <= gap[1]:
                warned.append(_nobody_noted(span.meter_id, *gap))
    return list(dict.fromkeys(warned))


def _changed(meter_id: str, day: date) -> str:
    return (
        f"{meter_id}: a setting was changed on {day}. If that scales the watts (in the meter or "
        "the head unit), they are corrected there already: enter it as a change of the slope, or "
        "leave these factors out from that day on."
    )


def _nobody_noted(meter_id: str, first: date, last: date) -> str:
    return (
        f"{meter_id}: its slope was changed between {first} and {last} and nobody noted when. "
        "Rides after that are corrected in the meter already; the factors in between are a mean "
        "of both."
    )
