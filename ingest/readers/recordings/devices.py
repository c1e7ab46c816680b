"""What a recording says about the devices on the bike: who they are, their battery, their zero.

Source: `device_info`, `event` and developer fields of the open FIT profile. Two things are hints
that no published profile spells out: that the data of a `calibration` event is the offset found,
and that message 147, field 9 is the crank length in half millimetres above 110.
"""

import math
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import polars as pl

from ingest.readers.recordings.frame import EARLIEST, LATEST

Message = Mapping[str | int, Any]
Messages = Mapping[str, Sequence[Message]]

_INSTANT = pl.Datetime("us", "UTC")
DEVICE_SCHEMA: dict[str, Any] = {
    "at": _INSTANT,
    "kind": pl.String,  # power_meter, trainer, head_unit, other
    "serial_number": pl.String,
    "ant_number": pl.Int64,
    "manufacturer": pl.String,
    "product": pl.String,
    "software_version": pl.String,
    "battery_v": pl.Float64,
    "battery_status": pl.String,
}
"""One row a device message. battery_v is null when 0.0 V stands there: not reported."""

ZERO_SCHEMA: dict[str, Any] = {
    "at": _INSTANT,
    "serial_number": pl.String,
    "ant_number": pl.Int64,
    "zero_raw": pl.Float64,
    "source": pl.String,
}
"""One row a zero-offset reading, in the meter's own counts."""

NO_SERIAL = (0, 0xFFFFFFFF)
ZEROING_EVENTS = ("calibration", 36)
ANT_POWER, ANT_TRAINER = 11, 17
BLE_POWER, BLE_TRAINER = 2, 7
_ZERO_NAMES = ("calibration", "zero_offset", "zerooffset")


def no_devices() -> pl.DataFrame:
    """The devices of a recording that names none."""
    return pl.DataFrame(schema=DEVICE_SCHEMA)


def no_zeros() -> pl.DataFrame:
    """The zero-offset readings of a recording without any."""
    return pl.DataFrame(schema=ZERO_SCHEMA)


def devices(messages: Messages) -> pl.DataFrame:
    """The device messages of a recording, one row each, in file order (DEVICE_SCHEMA)."""
    rows = [_device(message) for message in messages.get("device_info", ())]
    return pl.DataFrame(rows, schema=DEVICE_SCHEMA, orient="row")


def _device(message: Message) -> dict[str, Any]:
    voltage = _number(message.get("battery_voltage"))
    return {
        "at": _instant(message.get("timestamp")),
        "kind": _kind(message),
        "serial_number": _serial(message.get("serial_number")),
        "ant_number": _ant_number(message),
        "manufacturer": _text(message.get("manufacturer")),
        "product": _text(message.get("product_name", message.get("product"))),
        "software_version": _version(message.get("software_version")),
        "battery_v": voltage if voltage else None,
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


def zeros(messages: Messages, seen: pl.DataFrame) -> pl.DataFrame:
    """The zero-offset readings in a recording (ZERO_SCHEMA).

    `seen` is the frame of `devices`. An event does not say which device was zeroed: it is given
    to the recording's power meter when there is exactly one, else its owner stays null.
    """
    rows = []
    for message in messages.get("event", ()):
        value = _number(message.get("data"))
        if message.get("event") in ZEROING_EVENTS and value is not None:
            owner = only_power_meter(seen)
            source = "calibration event"
            rows.append((_instant(message.get("timestamp")), *owner, _signed(value), source))
    for message in messages.get("device_info", ()):
        name, value = _zero_field(message)
        if value is not None:
            owner = _serial(message.get("serial_number")), _ant_number(message)
            source = f"developer field {name}"
            rows.append((_instant(message.get("timestamp")), *owner, value, source))
    dated = [row for row in rows if row[0] is not None]
    return pl.DataFrame(dated, schema=ZERO_SCHEMA, orient="row")


def _signed(value: float) -> float:
    """Radio protocols carry the offset in 16 signed bits, the event in 32 unsigned ones."""
    if value >= 0x8000_0000:
        return value - 0x1_0000_0000
    return value - 0x1_0000 if 0x8000 <= value < 0x1_0000 else value


def only_power_meter(seen: pl.DataFrame) -> tuple[str | None, int | None]:
    """Serial number and radio number of a recording's power meter, null where it has several."""
    meters = seen.filter(pl.col("kind") == "power_meter")
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
    """The crank length that the file hints at, mm; null when it names none or several."""
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


def _number(value: Any) -> float | None:
    """A finite number, null for anything else that a damaged message may hold."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


def _serial(value: Any) -> str | None:
    """A serial number as text; the protocol's marks for none give null."""
    number = _number(value)
    if number is not None:
        return None if int(number) in NO_SERIAL else str(int(number))
    return _text(value) if isinstance(value, str) else None


def _text(value: Any) -> str | None:
    text = str(value).strip("\0 ") if isinstance(value, str | int | float) else ""
    return text or None


def _ant_number(message: Message) -> int | None:
    number = _number(message.get("ant_device_number"))
    if number is None:
        channel = _channel(message.get(24))
        number = None if channel is None else channel & 0xFFFF
    return int(number) if number and 0 < number < 2**32 else None


def _channel(value: Any) -> int | None:
    """A channel number: the device's own in bits 0 to 15, its type in bits 16 to 22."""
    number = _number(value)
    return int(number) if number is not None and 0 <= number < 2**32 else None


def _version(value: Any) -> str | None:
    number = _number(value)
    return None if number is None else f"{number:.2f}"


def _instant(value: Any) -> datetime | None:
    """An instant from Unix seconds; null outside the years that a recording can be from."""
    seconds = _number(value)
    if seconds is None or not EARLIEST <= seconds <= LATEST:
        return None
    return datetime.fromtimestamp(seconds, tz=UTC)
