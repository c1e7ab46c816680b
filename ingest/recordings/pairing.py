"""Which recordings are of the same ride: one from a meter, one from a reference, at one time."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.recordings.device_matching import roles
from ingest.recordings.summaries import TRACE_STEP_S
from ingest.schema import rider_on

PAIR_SCHEMA: dict[str, Any] = {
    "meter_file": pl.String,
    "reference_file": pl.String,
    "meter_id": pl.String,
    "reference_id": pl.String,
    "comparison_id": pl.String,
    "rider_id": pl.String,
    "overlap_s": pl.Float64,
    "likeness": pl.Float64,
    "reason": pl.String,
}
ALIKE, VERY_ALIKE = 0.7, 0.9
CLEARLY_MORE = 0.25
"""A rival is clearly more alike when it leaves this share of a pair's variance unexplained."""
SHIFTS = 4
"""Half minutes to either side that two clocks may be apart for the likeness."""
FEWEST_BINS = 10


@dataclass(frozen=True)
class _Pair:
    meter: dict[str, Any]
    reference: dict[str, Any]
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
    """Pairs of recordings that are worth comparing.

    In   summaries of recordings (SUMMARY_SCHEMA), the meters and references tables; the
         assignments table, for the rider
    Out  PAIR_SCHEMA: the columns of the `pairs` table, then overlap_s, likeness (the highest
         correlation of the half-minute means within two minutes of shift, null when there are
         too few) and the reason in words

    Where several rides went on at once and the power traces tell which belong together, only
    those are proposed; where they do not, all are, and the reason says so. Recordings without
    dates cannot be paired by time.
    """
    known = roles(recordings, meters, references).join(
        recordings.unique("path", keep="first", maintain_order=True).drop("sha256"),
        on="path",
        maintain_order="left",
    )
    known = known.drop_nulls("started_at").sort("started_at", "path")
    pairs = _without_strangers(list(_overlapping(known, references, min_overlap_s)))
    rows = [_row(pair, assignments) for pair in pairs]
    return _with_unique_names(pl.DataFrame(rows, schema=PAIR_SCHEMA, orient="row"))


def _overlapping(
    known: pl.DataFrame, references: pl.DataFrame, min_overlap_s: float
) -> Iterator[_Pair]:
    """Every meter's recording with every reference's that goes on at the same time."""
    itself = set(references.select("reference_id", "meter_id").iter_rows())
    meters = list(known.drop_nulls("meter_id").iter_rows(named=True))
    others = list(known.drop_nulls("reference_id").iter_rows(named=True))
    starts = np.array([_seconds(one["started_at"]) for one in others])
    ends = np.array([_seconds(one["ended_at"]) for one in others])
    for one in meters:
        start, end = _seconds(one["started_at"]), _seconds(one["ended_at"])
        overlaps = np.minimum(ends, end) - np.maximum(starts, start)
        for index in np.flatnonzero(overlaps >= min_overlap_s).tolist():
            other = others[index]
            same = other["path"] == one["path"] or other["sha256"] == one["sha256"]
            strange = other["beside_meter_id"] not in (None, one["meter_id"])
            if not same and not strange and (other["reference_id"], one["meter_id"]) not in itself:
                yield _Pair(one, other, float(overlaps[index]), _likeness(one, other))


def _seconds(at: datetime) -> float:
    return at.timestamp()


def _likeness(one: dict[str, Any], other: dict[str, Any]) -> float | None:
    """The highest correlation of two traces over shifts of up to two minutes."""
    first, second = _bins(one), _bins(other)
    if first is None or second is None:
        return None
    found = [
        _correlation(first, (second[0] + shift, second[1])) for shift in range(-SHIFTS, SHIFTS + 1)
    ]
    known = [value for value in found if value is not None]
    return max(known) if known else None


Bins = tuple[int, NDArray[np.float64]]


def _bins(recording: dict[str, Any]) -> Bins | None:
    """The number of the first half minute, and the means."""
    if not recording["trace_w"]:
        return None
    first = int(_seconds(recording["trace_started_at"])) // TRACE_STEP_S
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
    """Of recordings with several candidates, leave out those that another one clearly beats."""
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
    """What speaks against a pair that is proposed all the same."""
    if beaten:
        return "the power of another candidate at that time is more alike"
    if pair.likeness is not None and pair.likeness >= ALIKE:
        return ""
    if rivals:
        return f"{rivals + 1} candidates at that time, and the power does not tell which"
    return "" if pair.likeness is None else "the power traces are unlike"


def _row(pair: _Pair, assignments: pl.DataFrame | None) -> dict[str, Any]:
    meter, reference = pair.meter, pair.reference
    start = max(meter["started_at"], reference["started_at"])
    parts = [
        f"both recorded for {pair.overlap_s / 60:.0f} min",
        f"{meter['meter_id']}: {meter['meter_reason']}",
        f"{reference['reference_id']}: {reference['reference_reason']}",
        _steered(pair),
        pair.doubt,
    ]
    return {
        "meter_file": meter["path"],
        "reference_file": reference["path"],
        "meter_id": meter["meter_id"],
        "reference_id": reference["reference_id"],
        "comparison_id": f"{meter['meter_id']}_{reference['reference_id']}_{start:%Y%m%dT%H%M}",
        "rider_id": None
        if assignments is None
        else rider_on(assignments, meter["meter_id"], start.date()),
        "overlap_s": pair.overlap_s,
        "likeness": pair.likeness,
        "reason": "; ".join(part for part in parts if part),
    }


def _steered(pair: _Pair) -> str:
    """A reference's file that names the meter may hold the meter's own power."""
    if pair.reference["meter_id"] == pair.meter["meter_id"]:
        return "the reference's file names the meter: its power may be the meter's own"
    return ""


def _with_unique_names(pairs: pl.DataFrame) -> pl.DataFrame:
    """Several comparisons that start in one minute are numbered."""
    number = pl.int_range(pl.len()).over("comparison_id")
    name = pl.col("comparison_id")
    return pairs.with_columns(
        pl.when(number > 0).then(name + "_" + (number + 1).cast(pl.String)).otherwise(name)
    )
