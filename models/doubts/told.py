"""Say a stretch in doubt in words."""

from __future__ import annotations

from collections.abc import Sequence

from models.doubts.documents import Doubt, DoubtCause
from models.wording import Reason


def why_of(causes: Sequence[DoubtCause]) -> str:
    """Return what explains a stretch, in words."""
    return str(Reason("doubt_why", causes=tuple(map(_cause, causes))))


def _cause(cause: DoubtCause) -> Reason:
    size = cause["size_pct"]
    of_size = None if size is None else Reason("doubt_size", size_pct=size)
    return Reason(f"doubt_{cause['kind']}", size=of_size)


def said_of(row: Doubt) -> str:
    """Return a stretch as sentences."""
    low, high = row["interval90_pct"]
    said = Reason(
        "doubt",
        meter=row["meter_id"],
        rider=None if row["rider_id"] is None else Reason("doubt_rider", rider=row["rider_id"]),
        began=_began(row),
        ended=_ended(row),
        error_pct=row["error_pct"],
        low_pct=low,
        high_pct=high,
        why=row["why"],
        ending=Reason(f"doubt_{row['ending']}"),
    )
    return str(said)


def _began(row: Doubt) -> Reason:
    if row["taken_over"]:
        return Reason("doubt_taken_over", on=row["from_latest"])
    if row["from_earliest"] == row["from_latest"]:
        return Reason("doubt_from", on=row["from_latest"])
    return Reason("doubt_from_between", first=row["from_earliest"], last=row["from_latest"])


def _ended(row: Doubt) -> Reason:
    first, last = row["to_earliest"], row["to_latest"]
    if first is None or last is None:
        return Reason("doubt_until_today")
    if first == last:
        return Reason("doubt_until", on=last)
    return Reason("doubt_until_between", first=first, last=last)
