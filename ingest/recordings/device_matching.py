"""Which meter or reference a recording belongs to, from the devices in it and from its name."""

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import polars as pl

ROLE_SCHEMA: dict[str, Any] = {
    "path": pl.String,
    "sha256": pl.String,
    "meter_id": pl.String,
    "meter_reason": pl.String,
    "reference_id": pl.String,
    "reference_reason": pl.String,
    "beside_meter_id": pl.String,  # the meter that the reference was ridden with, by the name
}
NAMED_PARTS = 3
"""How much of a path can name an id: the file and two folders above it."""


@dataclass(frozen=True)
class Meter:
    """What is needed of a row of the meters table."""

    meter_id: str
    serial: str
    first: date | None
    last: date | None

    def in_use(self, day: date | None) -> bool:
        if day is None:
            return True
        return (self.first is None or self.first <= day) and (self.last is None or day <= self.last)


def plain_serial(text: str | None) -> str:
    """A serial number for comparing: letters and digits only, upper case, no leading zeros."""
    return re.sub(r"[^0-9A-Z]", "", (text or "").upper()).lstrip("0")


@dataclass
class Owners:
    """Finds the meter that a device is, by its serial number.

    A device answers to the serial number of the meters table; else to the radio number (ANT)
    written there instead; else to the digits of a serial number with letters around them. An
    answer counts only if it names exactly one meter in use on the day.
    """

    by_serial: dict[str, list[Meter]] = field(default_factory=lambda: defaultdict(list))
    by_digits: dict[str, list[Meter]] = field(default_factory=lambda: defaultdict(list))

    @classmethod
    def of(cls, meters: pl.DataFrame) -> "Owners":
        """From the meters table: meter_id, serial_number, in_service_date, retired_date."""
        owners = cls()
        wanted = ("meter_id", "serial_number", "in_service_date", "retired_date")
        rows = meters.select([name for name in wanted if name in meters.columns])
        for row in rows.iter_rows(named=True):
            serial = plain_serial(row.get("serial_number"))
            meter = Meter(
                row["meter_id"], serial, row.get("in_service_date"), row.get("retired_date")
            )
            digits = re.sub(r"\D", "", serial).lstrip("0")
            if serial:
                owners.by_serial[serial].append(meter)
            if len(digits) >= 4 and digits != serial:
                owners.by_digits[digits].append(meter)
        return owners

    def meter_of(
        self, serial: str | None, ant_number: int | None, day: date | None
    ) -> tuple[str, str] | None:
        """(meter_id, why) of the meter that a device is; None if it is not one for certain."""
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
    """What each recording can stand for in a pair: the meter in it, a reference, both or none.

    In   summaries of recordings (SUMMARY_SCHEMA), the meters and the references table
    Out  ROLE_SCHEMA, one row a recording that has samples. The meter is known by the serial
         number of the power meter in the file, else by its id in the file's or a folder's name.
         The reference is known by its id in the name, else as a meter of the fleet, else as the
         team's only trainer where the file has a trainer and no power meter. A name with a
         meter's and a reference's id is taken for the reference's file beside that meter,
         unless the devices in it say that it is the meter's.
    """
    owners, named = Owners.of(meters), _Named(meters["meter_id"], references["reference_id"])
    fleet, trainers = _reference_of_meter(references), _trainers(references)
    rows = []
    for one in recordings.filter(pl.col("samples") > 0).iter_rows(named=True):
        device, name = _meter_in(one, owners), named.ids(one["path"])
        meter = device or name.meter
        reference = None if device and name.beside else name.reference
        if reference is None and meter is not None and meter[0] in fleet:
            reference = fleet[meter[0]], f"it is the meter {meter[0]}"
        if reference is None and len(trainers) == 1 and _is_trainers(one):
            reference = trainers[0], "the only trainer, and the file has one"
        beside = name.beside if reference == name.reference else None
        pair = *(meter or (None, None)), *(reference or (None, None))
        rows.append((one["path"], one["sha256"], *pair, beside))
    return pl.DataFrame(rows, schema=ROLE_SCHEMA, orient="row")


def _is_trainers(recording: dict[str, Any]) -> bool:
    kinds = {device["kind"] for device in recording["devices"] or ()}
    return "trainer" in kinds and "power_meter" not in kinds


def _meter_in(recording: dict[str, Any], owners: Owners) -> tuple[str, str] | None:
    """The one meter among a recording's power meters; None when there are several."""
    day = _day(recording["started_at"])
    found = {
        owners.meter_of(device["serial_number"], device["ant_number"], day)
        for device in recording["devices"] or ()
        if device["kind"] == "power_meter"
    } - {None}
    return found.pop() if len({meter[0] for meter in found if meter}) == 1 else None


def _day(at: datetime | None) -> date | None:
    return at.date() if at is not None else None


def _reference_of_meter(references: pl.DataFrame) -> dict[str, str]:
    if "meter_id" not in references.columns:
        return {}
    known = references.drop_nulls("meter_id")
    return dict(zip(known["meter_id"], known["reference_id"], strict=True))


def _trainers(references: pl.DataFrame) -> list[str]:
    return references.filter(pl.col("kind") == "trainer")["reference_id"].to_list()


@dataclass(frozen=True)
class _Ids:
    """What a name tells: a meter, or a reference, and the meter that it was ridden beside."""

    meter: tuple[str, str] | None = None
    reference: tuple[str, str] | None = None
    beside: str | None = None


class _Named:
    """Finds ids in the names of files and folders; a longer id hides a shorter one in it."""

    def __init__(self, meter_ids: Iterable[str], reference_ids: Iterable[str]) -> None:
        self._meters, self._references = set(meter_ids), set(reference_ids)
        ids = sorted(self._meters | self._references, key=len, reverse=True)
        joined = "|".join(re.escape(one) for one in ids)
        self._pattern = re.compile(rf"(?<![0-9A-Za-z])(?:{joined})(?![0-9A-Za-z])", re.IGNORECASE)
        self._written = {one.lower(): one for one in ids}

    def ids(self, path: str) -> _Ids:
        """From the file's name, else from the folder that is nearest to it."""
        if not self._written:
            return _Ids()
        for part in re.split(r"[/\\]", path)[: -NAMED_PARTS - 1 : -1]:
            found = {self._written[text.lower()] for text in self._pattern.findall(part)}
            if found:
                return self._told(found, f"named in {part}")
        return _Ids()

    def _told(self, found: set[str], why: str) -> _Ids:
        references = found & self._references
        if len(found) == 1:
            one = found.pop(), why
            return _Ids(one if one[0] in self._meters else None, one if references else None)
        meters = found - references
        if len(meters) == 1 and len(references) == 1:
            (meter_id,), (reference_id,) = meters, references
            return _Ids(reference=(reference_id, why), beside=meter_id)
        return _Ids()
