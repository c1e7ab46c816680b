"""The keys of what is in doubt: stretches of a meter's watts, and what sessions found out.

Intervals hold 90 %. None: not known.
"""

from datetime import date
from typing import Literal, TypedDict

CauseKind = Literal["setting", "step", "entry", "reset", "ring", "legs", "chain", "drift"]
Ending = Literal["lasts", "put_right", "handed_on", "back"]


class DoubtCause(TypedDict):
    """What puts watts in doubt. size_pct: what it adds to them; None: not known."""

    kind: CauseKind
    size_pct: float | None


class Doubt(TypedDict):
    """A stretch in which a meter's watts are in doubt under a rider.

    from_earliest, from_latest: the days between which it began; to_earliest, to_latest: the days
    between which it ended (None: it lasts). taken_over: it had begun before the meter was
    handed to the rider. error_pct: shown over the rider's watts, mean of the stretch; example_w
    of the rider are shown as shown_w; rider_factor: the rider's watts over what is shown;
    p_out_of_tolerance: the chance to be out of tolerance on the worst day. ending: whether it
    was put right, handed on with the meter, or came back by itself
    """

    meter_id: str
    rider_id: str | None
    from_earliest: date
    from_latest: date
    taken_over: bool
    to_earliest: date | None
    to_latest: date | None
    ending: Ending
    error_pct: float
    interval90_pct: list[float]
    example_w: float
    shown_w: float
    rider_factor: float
    rider_interval90: list[float]
    p_out_of_tolerance: float
    causes: list[DoubtCause]
    why: str
    what_now: str
    text: str


class DoubtsDocument(TypedDict):
    """The doubtful stretches, the newest first, and what has to be said of all."""

    as_of: date
    doubts: list[Doubt]
    text: str


class AffectedRider(TypedDict):
    rider_id: str
    from_date: date
    to_date: date


class AffectedEffort(TypedDict):
    rider_id: str
    date: date
    watts: float
    corrected_w: float
    p_out_of_tolerance: float


class FoundOut(TypedDict):
    """What a session that found the meter out puts in doubt.

    last_good_on None: no good session came before; doubtful_from None: it happened late;
    comparisons: their ids
    """

    session_id: str
    found_on: date
    found_pct: float
    last_good_on: date | None
    doubtful_from: date | None
    riders: list[AffectedRider]
    efforts: list[AffectedEffort]
    comparisons: list[str]
    text: str


class AffectedDocument(DoubtsDocument):
    """A meter's stretches in doubt, and what each session that found it out says."""

    meter_id: str
    found_out: list[FoundOut]
