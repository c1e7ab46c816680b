"""The keys of a digest."""

from datetime import date
from typing import NotRequired, TypedDict

from models.status import KeptFitState, Status
from models.wording import Reason


class DigestLine(TypedDict):
    """One thing that is said: its kind (of `models.wording`), whose it is, its words."""

    kind: str
    meter_id: str | None
    rider_id: str | None
    text: str


class StandingRow(TypedDict):
    """How a meter stands."""

    meter_id: str
    rider_id: str | None
    status: Status


class DigestDocument(TypedDict):
    """What changed from a day (since) to another (as_of), and what to do in the week after it.

    changed, to_do  the most urgent first
    notices         what coaches are told of meters that show other watts, the newest first
    meters          how each meter stands at the end
    """

    since: date
    as_of: date
    title: str
    changed: list[DigestLine]
    to_do: list[DigestLine]
    notices: list[DigestLine]
    meters: list[StandingRow]
    fit: KeptFitState
    today_note: NotRequired[str]


class IntakeNews(TypedDict):
    """What was taken in, set aside and decided since a day, and what of it waits for a person."""

    changed: list[DigestLine]
    to_do: list[DigestLine]


def line(reason: Reason, *, meter: str | None = None, rider: str | None = None) -> DigestLine:
    """Return a reason as a line of a digest. meter, rider: whom it is about, if anyone."""
    return {
        "kind": reason.kind,
        "meter_id": meter,
        "rider_id": rider,
        "text": str(reason).strip(),
    }
