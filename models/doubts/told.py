"""Say a stretch in doubt in words."""

from __future__ import annotations

from collections.abc import Sequence

from models.doubts.documents import CauseKind, Doubt, DoubtCause, Ending
from models.wording import Reason

CAUSES: dict[CauseKind, Reason] = {
    "setting": Reason("doubt_setting"),
    "step": Reason("doubt_step"),
    "entry": Reason("doubt_entry"),
    "reset": Reason("doubt_reset"),
    "ring": Reason("doubt_ring"),
    "legs": Reason("doubt_legs"),
    "chain": Reason("doubt_chain"),
    "drift": Reason("doubt_drift"),
}
ENDINGS: dict[Ending, Reason] = {
    "lasts": Reason("doubt_lasts"),
    "put_right": Reason("doubt_put_right"),
    "handed_on": Reason("doubt_handed_on"),
    "back": Reason("doubt_back"),
}
ROAD = ("ring", "legs", "chain")  # nothing of the sensor, and nothing to be mended


def why_of(causes: Sequence[DoubtCause]) -> str:
    """Return what explains a stretch, in words."""
    return str(Reason("doubt_why", causes=tuple(map(_cause, causes))))


def _cause(cause: DoubtCause) -> Reason:
    size = cause["size_pct"]
    of_size = None if size is None else Reason("doubt_size", size_pct=size)
    return Reason("doubt_cause", what=CAUSES[cause["kind"]], size=of_size)


def said_of(row: Doubt, *, legs: bool) -> str:
    """Return a stretch as sentences. legs: whether the rider's legs are counted."""
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
        than=Reason("doubt_than_rider") if legs else Reason("doubt_than_due"),
        why=row["why"],
        ending=row["what_now"],
    )
    return str(said)


def what_now(ending: Ending, causes: Sequence[DoubtCause]) -> Reason:
    """Return how a stretch ended, or what to do while it lasts."""
    road_alone = all(cause["kind"] in ROAD for cause in causes)
    return Reason("doubt_lasts_road") if ending == "lasts" and road_alone else ENDINGS[ending]


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
