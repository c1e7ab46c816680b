"""The devices in a recording: who they are, their battery, their zero offset, the crank length.

Source: `device_info`, `event` and developer fields of the open FIT profile. Two things are hints
that no published profile spells out: that the data of a `calibration` event is the offset found,
and that message 147, field 9 is the crank length in half millimetres above 110.
"""

import math
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import TypedDict

import polars as pl

from ingest.readers.recordings.frame import EARLIEST, LATEST, Message
from ingest.schema import frame_schema

Messages = Mapping[str, Sequence[Message]]


class Device(TypedDict):
    """One device message. battery_v is None when 0.0 V stands there: not reported."""

    at: datetime | None
    kind: str  # power_meter, trainer, head_unit, other
    serial_number: str | None
    ant_number: int | None
    manufacturer: str | None
    product: str | None
    software_version: str | None
    battery_v: float | None
    battery_status: str | None


class ZeroReading(TypedDict):
    """One zero-offset reading, in the meter's own counts."""

    at: datetime
    serial_number: str | None
    ant_number: int | None
    zero_raw: float
    source: str


DEVICE_SCHEMA = frame_schema(Device)
"""Columns of a frame of devices: one row a Device."""
ZERO_SCHEMA = frame_schema(ZeroReading)
"""Columns of a frame of zero-offset readings: one row a ZeroReading."""

NO_SERIAL = (0, 0xFFFFFFFF)
ZEROING_EVENTS = ("calibration", 36)
ANT_POWER, ANT_TRAINER = 11, 17
BLE_POWER, BLE_TRAINER = 2, 7
_ZERO_NAMES = ("calibration", "zero_offset", "zerooffset")


def no_devices() -> pl.DataFrame:
    """Return the devices of a recording that names none."""
    return pl.DataFrame(schema=DEVICE_SCHEMA)


def no_zeros() -> pl.DataFrame:
    """Return the zero-offset readings of a recording without any."""
    return pl.DataFrame(schema=ZERO_SCHEMA)


def devices(messages: Messages) -> pl.DataFrame:
    """Return the device messages of a recording, one row each, in file order (DEVICE_SCHEMA)."""
    rows = [_device(message) for message in messages.get("device_info", ())]
    return pl.DataFrame(rows, schema=DEVICE_SCHEMA, orient="row")


def _device(message: Message) -> Device:
    return {
        "at": _instant(message.get("timestamp")),
        "kind": _kind(message),
        "serial_number": _serial(message.get("serial_number")),
        "ant_number": _ant_number(message),
        "manufacturer": _text(message.get("manufacturer")),
        "product": _text(message.get("product_name", message.get("product"))),
        "software_version": _version(message.get("software_version")),
        "battery_v": _number(message.get("battery_voltage")) or None,
        "battery_status": _text(message.get("battery_status")),
    }


def _kind(message: Message) -> str:
    number = _number(message.get("device_type"))
    bluetooth = "bluetooth" in str(message.get("source_type", ""))
    if number == (BLE_POWER if bluetooth else ANT_POWER):
        return "power_meter"
    if number == (BLE_TRAINER if bluetooth else ANT_TRAINER):
        return "trainer"
    if message.get("device_index") in ("creator", 0):
        return "head_unit"
    return "other"


def zeros(messages: Messages, found: pl.DataFrame) -> pl.DataFrame:
    """Return the zero-offset readings in a recording (ZERO_SCHEMA).

    found  the frame of `devices`. An event does not say which device was zeroed: it is given to
           the recording's power meter when there is exactly one, else to none.
    """
    rows = []
    for message in messages.get("event", ()):
        at, value = _instant(message.get("timestamp")), _number(message.get("data"))
        if message.get("event") in ZEROING_EVENTS and value is not None and at is not None:
            rows.append((at, *only_power_meter(found), _signed(value), "calibration event"))
    for message in messages.get("device_info", ()):
        at, (name, value) = _instant(message.get("timestamp")), _zero_field(message)
        if value is not None and at is not None:
            device = _serial(message.get("serial_number")), _ant_number(message)
            rows.append((at, *device, value, f"developer field {name}"))
    return pl.DataFrame(rows, schema=ZERO_SCHEMA, orient="row")


def _signed(value: float) -> float:
    """Return the offset with its sign: 16 signed bits, which the event carries in 32 unsigned."""
    if value >= 0x8000_0000:
        return value - 0x1_0000_0000
    return value - 0x1_0000 if 0x8000 <= value < 0x1_0000 else value


def only_power_meter(found: pl.DataFrame) -> tuple[str | None, int | None]:
    """Return serial number and radio number of the power meter; None where there are several."""
    meters = found.filter(pl.col("kind") == "power_meter")
    serials = meters["serial_number"].drop_nulls().unique()
    numbers = meters["ant_number"].drop_nulls().unique()
    serial = serials.item() if len(serials) == 1 else None
    return serial, numbers.item() if len(numbers) == 1 else None


def _zero_field(message: Message) -> tuple[str | None, float | None]:
    for key, value in message.items():
        if isinstance(key, str) and re.sub(r"[\s-]+", "_", key.lower()) in _ZERO_NAMES:
            return key, _number(value)
    return None, None


def crank_length_mm(messages: Messages) -> float | None:
    """Return the crank length that the file hints at, mm; None when it names none or several."""
    found = {value for value in _crank_lengths(messages) if 100 <= value <= 250}
    return found.pop() if len(found) == 1 else None


def _crank_lengths(messages: Messages) -> list[float]:
    channels = {_channel(message.get(24)) for message in messages.get("device_info", ())} - {None}
    half_mm = [
        _number(message.get(9))
        for message in messages.get("unknown_147", ())
        if (channel := _channel(message.get(0))) in channels
        and channel is not None
        and channel >> 16 & 0x7F == ANT_POWER
    ]
    profile = [_number(message.get("crank_length")) for message in messages.get("bike_profile", ())]
    entered = [
        _in_mm(_number(message.get("crank_length")), _unit_of("crank_length", messages))
        for message in messages.get("device_info", ())
    ]
    lengths = [None if half is None else half / 2 + 110 for half in half_mm] + profile + entered
    return [length for length in lengths if length is not None]


def _unit_of(name: str, messages: Messages) -> str:
    for message in messages.get("field_description", ()):
        if message.get("field_name") == name:
            return str(message.get("units", ""))
    return ""


def _in_mm(value: float | None, unit: str) -> float | None:
    if value is None:
        return None
    return value / 10 if re.search(r"x\s*10|0\.1", unit) else value


def _number(value: object) -> float | None:
    """Return a finite number; None for anything else that a damaged message may hold."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


def _serial(value: object) -> str | None:
    """Return a serial number as text; None for the protocol's marks of no number."""
    number = _number(value)
    if number is not None:
        return None if int(number) in NO_SERIAL else str(int(number))
    return _text(value) if isinstance(value, str) else None


def _text(value: object) -> str | None:
    text = str(value).strip("\0 ") if isinstance(value, str | int | float) else ""
    return text or None


def _ant_number(message: Message) -> int | None:
    number = _number(message.get("ant_device_number"))
    if number is None:
        channel = _channel(message.get(24))
        number = None if channel is None else channel & 0xFFFF
    return int(number) if number and 0 < number < 2**32 else None


def _channel(value: object) -> int | None:
    """Return a channel: the device's number in bits 0 to 15, its type in bits 16 to 22."""
    number = _number(value)
    return int(number) if number is not None and 0 <= number < 2**32 else None


def _version(value: object) -> str | None:
    number = _number(value)
    return None if number is None else f"{number:.2f}"


def _instant(value: object) -> datetime | None:
    """Return the instant of Unix seconds; None outside the years that a recording can be from."""
    seconds = _number(value)
    if seconds is None or not EARLIEST <= seconds <= LATEST:
        return None
    return datetime.fromtimestamp(seconds, tz=UTC)
