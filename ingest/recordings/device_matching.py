"""Which meter or reference a recording belongs to, from the devices in it and from its name."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from typing import TypedDict

import polars as pl

from ingest.recordings.summaries import Summary, summary_rows
from ingest.schema import frame_schema


class Roles(TypedDict):
    """What a recording can stand for in a pair, and why.

    beside_meter_id  the meter that the reference was ridden with, by the name
    """

    meter_id: str | None
    meter_reason: str | None
    reference_id: str | None
    reference_reason: str | None
    beside_meter_id: str | None


class RolesRow(Roles):
    """The roles of one recording."""

    path: str
    sha256: str


ROLE_SCHEMA = frame_schema(RolesRow)
NAMED_PARTS = 3
"""How much of a path can name an id: the file and two folders above it."""


@dataclass(frozen=True)
class Meter:
    """A row of the meters table, as far as it is used here."""

    meter_id: str
    first: date | None
    last: date | None

    def in_use(self, day: date | None) -> bool:
        """Return whether it is in service on a day; None: on a day that is not known."""
        if day is None:
            return True
        return (self.first is None or self.first <= day) and (self.last is None or day <= self.last)


def plain_serial(text: str | None) -> str:
    """Return a serial number to compare: letters and digits, upper case, no leading zeros."""
    return re.sub(r"[^0-9A-Z]", "", (text or "").upper()).lstrip("0")


@dataclass
class MeterIndex:
    """Finds the meter of the fleet that a device in a recording is.

    Compared are the device's serial number with that of the meters table; else its radio number
    (ANT), which may stand there instead; else both with the digits of a serial number with
    letters. A match counts only if it is exactly one meter in use on the day.
    """

    by_serial: dict[str, list[Meter]] = field(default_factory=lambda: defaultdict(list))
    by_digits: dict[str, list[Meter]] = field(default_factory=lambda: defaultdict(list))

    @classmethod
    def of(cls, meters: pl.DataFrame) -> MeterIndex:
        """Return the index of a meters table: meter_id, serial_number, first and last day."""
        index = cls()
        wanted = ("meter_id", "serial_number", "in_service_date", "retired_date")
        rows = meters.select([name for name in wanted if name in meters.columns])
        for row in rows.iter_rows(named=True):
            serial = plain_serial(row.get("serial_number"))
            meter = Meter(row["meter_id"], row.get("in_service_date"), row.get("retired_date"))
            digits = re.sub(r"\D", "", serial).lstrip("0")
            if serial:
                index.by_serial[serial].append(meter)
            if len(digits) >= 4 and digits != serial:
                index.by_digits[digits].append(meter)
        return index

    def meter_of(
        self, serial: str | None, ant_number: int | None, day: date | None
    ) -> tuple[str, str] | None:
        """Return (meter_id, why) of the meter that a device is; None where that is not certain."""
        number = plain_serial(serial)
        radio = str(ant_number or "")
        tries = (
            (self.by_serial.get(number), f"serial number {serial}"),
            (self.by_serial.get(radio), f"radio number {radio} stands as its serial number"),
            (self.by_digits.get(number), f"serial number {serial} without its letters"),
            (self.by_digits.get(radio), f"radio number {radio} is in its serial number"),
        )
        for found, why in tries:
            fitting = {meter.meter_id for meter in found or () if meter.in_use(day)}
            if len(fitting) == 1:
                return fitting.pop(), why
        return None


def roles(recordings: pl.DataFrame, meters: pl.DataFrame, references: pl.DataFrame) -> pl.DataFrame:
    """Return what each recording can stand for in a pair: a meter, a reference, both or none.

    In   summaries of recordings (SUMMARY_SCHEMA), the meters and the references table
    Out  ROLE_SCHEMA, one row a recording that has samples. The meter is known by the serial
         number of the power meter in the file, else by its id in the file's or a folder's name.
         The reference is known by its id in the name, else as a meter of the fleet, else as the
         team's only trainer where the file has a trainer and no power meter. A name with a
         meter's and a reference's id is taken for the reference's file beside that meter,
         unless the devices in it say that it is the meter's.
    """
    index, names = MeterIndex.of(meters), _Names(meters["meter_id"], references["reference_id"])
    fleet = _reference_of_meter(references)
    trainers = references.filter(pl.col("kind") == "trainer")["reference_id"].to_list()
    rows = []
    for one in summary_rows(recordings.filter(pl.col("samples") > 0)):
        device, name = _meter_in(one, index), names.ids(one["path"])
        meter = device or name.meter
        reference = None if device and name.beside else name.reference
        if reference is None and meter is not None and meter[0] in fleet:
            reference = fleet[meter[0]], f"it is the meter {meter[0]}"
        if reference is None and len(trainers) == 1 and _is_trainers(one):
            reference = trainers[0], "the only trainer, and the file has one"
        beside = name.beside if reference == name.reference else None
        known = *(meter or (None, None)), *(reference or (None, None))
        rows.append((*known, beside, one["path"], one["sha256"]))
    return pl.DataFrame(rows, schema=ROLE_SCHEMA, orient="row")


def _is_trainers(recording: Summary) -> bool:
    kinds = {device["kind"] for device in recording["devices"] or ()}
    return "trainer" in kinds and "power_meter" not in kinds


def _meter_in(recording: Summary, index: MeterIndex) -> tuple[str, str] | None:
    """Return (meter_id, why) of a recording's power meter; None when there are several."""
    began = recording["started_at"]
    day = began.date() if began is not None else None
    found = {
        index.meter_of(device["serial_number"], device["ant_number"], day)
        for device in recording["devices"] or ()
        if device["kind"] == "power_meter"
    } - {None}
    return found.pop() if len({meter[0] for meter in found if meter}) == 1 else None


def _reference_of_meter(references: pl.DataFrame) -> dict[str, str]:
    if "meter_id" not in references.columns:
        return {}
    known = references.drop_nulls("meter_id")
    return dict(zip(known["meter_id"], known["reference_id"], strict=True))


@dataclass(frozen=True)
class _Ids:
    """The ids in a name, with why: a meter's, or a reference's and the meter's beside it."""

    meter: tuple[str, str] | None = None
    reference: tuple[str, str] | None = None
    beside: str | None = None


class _Names:
    """Finds ids in the names of files and folders; a longer id hides a shorter one in it."""

    def __init__(self, meter_ids: Iterable[str], reference_ids: Iterable[str]) -> None:
        self._meters, self._references = set(meter_ids), set(reference_ids)
        ids = sorted(self._meters | self._references, key=len, reverse=True)
        joined = "|".join(re.escape(one) for one in ids)
        self._pattern = re.compile(rf"(?<![0-9A-Za-z])(?:{joined})(?![0-9A-Za-z])", re.IGNORECASE)
        self._written = {one.lower(): one for one in ids}

    def ids(self, path: str) -> _Ids:
        """Return the ids in the file's name, else in that of the nearest folder."""
        if not self._written:
            return _Ids()
        for part in re.split(r"[/\\]", path)[: -NAMED_PARTS - 1 : -1]:
            found = {self._written[text.lower()] for text in self._pattern.findall(part)}
            if found:
                return self._sorted(found, f"named in {part}")
        return _Ids()

    def _sorted(self, found: set[str], why: str) -> _Ids:
        references = found & self._references
        if len(found) == 1:
            one = found.pop(), why
            return _Ids(one if one[0] in self._meters else None, one if references else None)
        meters = found - references
        if len(meters) == 1 and len(references) == 1:
            (meter_id,), (reference_id,) = meters, references
            return _Ids(reference=(reference_id, why), beside=meter_id)
        return _Ids()
