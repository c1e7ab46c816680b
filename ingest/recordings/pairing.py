"""Which recordings are of the same ride: one of a meter, one of a reference, at the same time."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypedDict, cast

import numpy as np
import polars as pl

from ingest.readers import Numbers
from ingest.recordings.device_matching import Roles, roles
from ingest.recordings.summaries import TRACE_STEP_S, Summary
from ingest.schema import frame_schema, rider_on


class ProposedPair(TypedDict):
    """Two recordings that are worth comparing: the columns of the `pairs` table, and why.

    overlap_s  how long both went on at once
    likeness   highest correlation of the half-minute means within two minutes of shift; None
               where there are too few
    """

    meter_file: str
    reference_file: str
    meter_id: str
    reference_id: str
    comparison_id: str
    rider_id: str | None
    overlap_s: float
    likeness: float | None
    reason: str


PAIR_SCHEMA = frame_schema(ProposedPair)
ALIKE, VERY_ALIKE = 0.7, 0.9
CLEARLY_MORE = 0.25
"""A rival is clearly more alike when it leaves this share of a pair's variance unexplained."""
SHIFTS = 4
"""Half minutes to either side that two clocks may be apart for the likeness."""
FEWEST_BINS = 10


class _Dated(Summary, Roles):
    """A recording with dates, and what it can stand for."""

    start: datetime
    end: datetime


@dataclass(frozen=True)
class _Pair:
    meter_id: str
    reference_id: str
    meter: _Dated
    reference: _Dated
    overlap_s: float
    likeness: float | None
    doubt: str = ""


def propose_pairs(
    recordings: pl.DataFrame,
    meters: pl.DataFrame,
    references: pl.DataFrame,
    *,
    assignments: pl.DataFrame | None = None,
    min_overlap_s: float = 300.0,
) -> pl.DataFrame:
    """Return pairs of recordings that are worth comparing (PAIR_SCHEMA).

    In   summaries of recordings (SUMMARY_SCHEMA), the meters and references tables; the
         assignments table, for the rider

    Where several rides went on at once and the power traces tell which belong together, only
    those are proposed; where they do not, all are, and the reason says so. Recordings without
    dates cannot be paired by time.
    """
    known = roles(recordings, meters, references).join(
        recordings.unique("path", keep="first", maintain_order=True).drop("sha256"),
        on="path",
        maintain_order="left",
    )
    dated = known.with_columns(start="started_at", end="ended_at").drop_nulls("start")
    pairs = _without_strangers(
        list(_overlapping(dated.sort("start", "path"), references, min_overlap_s))
    )
    rows = [_row(pair, assignments) for pair in pairs]
    return _with_unique_names(pl.DataFrame(rows, schema=PAIR_SCHEMA, orient="row"))


def _overlapping(
    dated: pl.DataFrame, references: pl.DataFrame, min_overlap_s: float
) -> Iterator[_Pair]:
    """Yield every meter's recording with every reference's at the same time."""
    itself = set(references.select("reference_id", "meter_id").iter_rows())
    meters = cast(list[_Dated], dated.drop_nulls("meter_id").to_dicts())
    others = cast(list[_Dated], dated.drop_nulls("reference_id").to_dicts())
    starts = np.array([other["start"].timestamp() for other in others])
    ends = np.array([other["end"].timestamp() for other in others])
    for one in meters:
        start, end = one["start"].timestamp(), one["end"].timestamp()
        overlaps = np.minimum(ends, end) - np.maximum(starts, start)
        for index in np.flatnonzero(overlaps >= min_overlap_s).tolist():
            other = others[index]
            meter_id, reference_id = one["meter_id"], other["reference_id"]
            same = other["path"] == one["path"] or other["sha256"] == one["sha256"]
            strange = other["beside_meter_id"] not in (None, meter_id)
            if same or strange or (reference_id, meter_id) in itself:
                continue
            if meter_id is not None and reference_id is not None:
                likeness = _likeness(one, other)
                yield _Pair(meter_id, reference_id, one, other, float(overlaps[index]), likeness)


def _likeness(one: Summary, other: Summary) -> float | None:
    """Return the highest correlation of two traces over shifts of up to two minutes."""
    first, second = _bins(one), _bins(other)
    if first is None or second is None:
        return None
    found = [
        _correlation(first, (second[0] + shift, second[1])) for shift in range(-SHIFTS, SHIFTS + 1)
    ]
    known = [value for value in found if value is not None]
    return max(known) if known else None


Bins = tuple[int, Numbers]


def _bins(recording: Summary) -> Bins | None:
    """Return the number of the first half minute, and the mean power of each."""
    if not recording["trace_w"] or recording["trace_started_at"] is None:
        return None
    first = int(recording["trace_started_at"].timestamp()) // TRACE_STEP_S
    return first, np.array(recording["trace_w"], dtype=np.float64)


def _correlation(one: Bins, other: Bins) -> float | None:
    start = max(one[0], other[0])
    end = min(one[0] + len(one[1]), other[0] + len(other[1]))
    if end - start < FEWEST_BINS:
        return None
    a, b = one[1][start - one[0] : end - one[0]], other[1][start - other[0] : end - other[0]]
    both = np.isfinite(a) & np.isfinite(b)
    a, b = a[both], b[both]
    if len(a) < FEWEST_BINS or a.std() == 0 or b.std() == 0:
        return None
    return float(np.corrcoef(a, b)[0, 1])


def _without_strangers(pairs: list[_Pair]) -> list[_Pair]:
    """Return the pairs without those that another of the same recording is clearly more like."""
    rivals: dict[tuple[str, str], list[_Pair]] = defaultdict(list)
    for pair in pairs:
        rivals["meter", pair.meter["path"]].append(pair)
        rivals["reference", pair.reference["path"]].append(pair)
    kept = []
    for pair in pairs:
        others = rivals["meter", pair.meter["path"]] + rivals["reference", pair.reference["path"]]
        others = [other for other in others if other is not pair]
        beaten = any(_clearly_more_alike(other, pair) for other in others)
        if not beaten or (pair.likeness or 0) >= VERY_ALIKE:
            kept.append(replace(pair, doubt=_doubt(pair, len(others), beaten)))
    return kept


def _clearly_more_alike(other: _Pair, pair: _Pair) -> bool:
    if other.likeness is None or pair.likeness is None or other.likeness < ALIKE:
        return False
    left = 1 - max(pair.likeness, 0) ** 2
    return bool(1 - other.likeness**2 < CLEARLY_MORE * left)


def _doubt(pair: _Pair, rivals: int, beaten: bool) -> str:
    """Return what speaks against a pair that is proposed all the same; empty: nothing."""
    if beaten:
        return "the power of another candidate at that time is more alike"
    if pair.likeness is not None and pair.likeness >= ALIKE:
        return ""
    if rivals:
        return f"{rivals + 1} candidates at that time, and the power does not tell which"
    return "" if pair.likeness is None else "the power traces are unlike"


def _row(pair: _Pair, assignments: pl.DataFrame | None) -> ProposedPair:
    meter, reference = pair.meter, pair.reference
    start = max(meter["start"], reference["start"])
    parts = [
        f"both recorded for {pair.overlap_s / 60:.0f} min",
        f"{pair.meter_id}: {meter['meter_reason']}",
        f"{pair.reference_id}: {reference['reference_reason']}",
        _steered(pair),
        pair.doubt,
    ]
    return {
        "meter_file": meter["path"],
        "reference_file": reference["path"],
        "meter_id": pair.meter_id,
        "reference_id": pair.reference_id,
        "comparison_id": f"{pair.meter_id}_{pair.reference_id}_{start:%Y%m%dT%H%M}",
        "rider_id": None
        if assignments is None
        else rider_on(assignments, pair.meter_id, start.date()),
        "overlap_s": pair.overlap_s,
        "likeness": pair.likeness,
        "reason": "; ".join(part for part in parts if part),
    }


def _steered(pair: _Pair) -> str:
    """Return a doubt where the reference's file names the meter; else an empty text."""
    if pair.reference["meter_id"] == pair.meter_id:
        return "the reference's file names the meter: its power may be the meter's own"
    return ""


def _with_unique_names(pairs: pl.DataFrame) -> pl.DataFrame:
    """Return the pairs with comparisons that start in the same minute numbered."""
    number = pl.int_range(pl.len()).over("comparison_id")
    name = pl.col("comparison_id")
    return pairs.with_columns(
        pl.when(number > 0).then(name + "_" + (number + 1).cast(pl.String)).otherwise(name)
    )
