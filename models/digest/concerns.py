"""Which devices are as a check fails on: out, due, or with an alarm."""

from collections.abc import Collection
from datetime import date
from typing import Literal, TypedDict

from models.digest.what_changed import device_alarms, reading
from models.status import KeptFitState, StatusDocument

Concern = Literal["out", "due", "alarm"]
STATUSES: tuple[Concern, ...] = ("out", "due")


class ConcernRow(TypedDict):
    """A device that a check fails on, and why."""

    concern: Concern
    device: str
    text: str


class ConcernsDocument(TypedDict):
    """What a check finds on a day."""

    as_of: date
    found: list[ConcernRow]
    fit: KeptFitState


def concerns_in(status: StatusDocument, asked: Collection[Concern]) -> list[ConcernRow]:
    """Return a row a device and concern that was asked about, out ones first, alarms last."""
    rows: list[ConcernRow] = [
        {"concern": concern, "device": row["meter_id"], "text": reading(row) or ""}
        for concern in STATUSES
        for row in status["meters"]
        if concern in asked and row["status"] == concern
    ]
    if "alarm" in asked:
        rows += [
            {"concern": "alarm", "device": device, "text": alarm["text"]}
            for device, _, _, alarm in device_alarms(status)
        ]
    return rows
