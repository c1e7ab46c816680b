"""FIT recordings: a fast decoder first, a slower one for what the fast one refuses.

Both are given a file that `fit_walk` found whole, or closed again after the last whole message,
so that neither crashes, loops or fills the memory on it. The limits on bytes, messages and cells
bound the time of the fast decoder, the limit on fields that of the slow one.
"""

import re
from collections.abc import Callable, Iterator
from typing import Any, Literal, TypeVar

import numpy as np

from ingest.readers.recordings.fit_checksum import closed
from ingest.readers.recordings.fit_layout import EVENT, RECORD, RECORD_TYPES, Layout
from ingest.readers.recordings.fit_walk import walk
from ingest.readers.recordings.frame import Decoded, Message, Numbers, Samples

FIT_EPOCH = 631_065_600
"""Unix seconds of 1989-12-31T00:00:00Z."""
MAX_SLOW_FIELDS = 2_500_000
"""Where the slow decoder stops, at about 6 µs a field."""
TOO_MANY = "it has more than"

T = TypeVar("T")
NAMES = {7: "power_w", 4: "cadence_rpm", 13: "temperature_c", 30: "balance_pct"}
FAST_NAMES = {
    "power": "power_w",
    "cadence": "cadence_rpm",
    "temperature": "temperature_c",
    "left_right_balance": "balance_pct",
}


class DecoderRefused(Exception):  # noqa: N818
    """A decoder could not read the file; says why."""


_FIRST_DEFINITION = re.compile(rb"[\x40-\x4f]\x00(?:\x00|\x01)\x00\x00", re.DOTALL)
"""A definition of the message that every FIT file starts with, number 0."""


def looks_like_fit(data: bytes) -> bool:
    """Return whether it starts with a FIT header, or a damaged one before the first definition."""
    return data[8:12] == b".FIT" or _FIRST_DEFINITION.search(data, 0, 64) is not None


def read_fit(data: bytes) -> Decoded:
    """Return a FIT file decoded. Never raises for damaged content: `faults` say what is missing."""
    data, mended = _with_mended_header(data)
    layout = walk(data)
    layout.faults[:0] = mended
    whole = data if layout.pristine else closed(layout.body(data))
    content = _fast(whole, layout) or _slow(whole, layout)
    content.faults[:0] = layout.faults
    content.notices[:0] = layout.notices
    return content


def _with_mended_header(data: bytes) -> tuple[bytes, list[str]]:
    """Return the file with a readable header, and a fault if the header was damaged."""
    if data[8:12] == b".FIT" and data[0] in (12, 14):
        return data, []
    first = _FIRST_DEFINITION.search(data, 0, 64)
    body = data[first.start() :] if first else data[14:]
    return closed(body)[:14] + body, ["its header is damaged"]


def _fast(whole: bytes, layout: Layout) -> Decoded | None:
    """Return the fast decoder's reading; None when it must not have the file or refuses it."""
    if layout.slow is not None:
        return None
    import fitfast

    try:
        columns = _without_panic(lambda: fitfast.records(whole))
        messages = _without_panic(lambda: fitfast.parse(closed(bytes(layout.device))))
    except DecoderRefused:
        return None
    return Decoded(_samples(columns), "fitfast", messages=messages)


def _without_panic(decode: Callable[[], T]) -> T:
    """Return what a native decoder returns; its refusals and panics become DecoderRefused.

    A panic in native code arrives as PanicException, which derives from BaseException; nothing
    else of that kind (an interrupt, an exit) is caught.
    """
    try:
        return decode()
    except Exception as error:
        raise DecoderRefused(str(error)) from error
    except BaseException as error:
        if type(error).__name__ != "PanicException":
            raise
        raise DecoderRefused(f"the decoder gave up: {error}") from None


def _samples(columns: dict[str, Numbers]) -> Samples:
    """Return the fast decoder's columns (Unix seconds, NaN for none) as samples."""
    count = max((len(column) for column in columns.values()), default=0)
    seconds = columns.get("timestamp", np.full(count, np.nan))
    values = {ours: columns[theirs] for theirs, ours in FAST_NAMES.items() if theirs in columns}
    return _with_masked_balance(Samples(seconds, values))


def _with_masked_balance(samples: Samples) -> Samples:
    """Return samples with the share alone as balance: bit 7 says that it is the right leg's."""
    balance = samples.values.get("balance_pct")
    if balance is not None:
        known = np.isfinite(balance)
        share = (np.where(known, balance, 0).astype(np.int64) & 0x7F).astype(np.float64)
        samples.values["balance_pct"] = np.where(known & (share <= 100), share, np.nan)
    return samples


def _slow(whole: bytes, layout: Layout) -> Decoded:
    """Return the slow decoder's reading: strict, or lenient if that holds more."""
    strict = _slow_reading(whole, "RAISE")
    if strict.faults and TOO_MANY not in strict.faults[0]:
        lenient = _slow_reading(whole, "IGNORE")
        if len(lenient.samples.seconds) > len(strict.samples.seconds):
            lenient.faults = strict.faults + lenient.faults
            strict = lenient
    if layout.slow:
        strict.notices.append(f"read with the slower decoder: {layout.slow}")
    return strict


def _slow_reading(whole: bytes, on_error: Literal["RAISE", "IGNORE"]) -> Decoded:
    rows: list[dict[int, float]] = []
    content = Decoded(Samples(np.empty(0)), "fitdecode")
    try:
        for frame in _frames(whole, on_error):
            if frame.global_mesg_num == RECORD:
                rows.append(_record(frame))
            else:
                content.messages.setdefault(frame.name, []).append(_message(frame))
    except DecoderRefused as refusal:
        content.faults.append(f"{refusal}; what came before it is kept")
    content.samples = _with_masked_balance(_samples_of_rows(rows))
    return content


def _frames(whole: bytes, on_error: Literal["RAISE", "IGNORE"]) -> Iterator[Any]:
    """Yield data messages until the end; DecoderRefused at an error or the limit on the fields."""
    import fitdecode

    handling = fitdecode.ErrorHandling[on_error]
    check = fitdecode.CrcCheck.RAISE
    fields = 0
    try:
        with fitdecode.FitReader(
            whole, processor=None, check_crc=check, error_handling=handling
        ) as reader:
            for frame in reader:
                if frame.frame_type != fitdecode.FIT_FRAME_DATA:
                    continue
                fields += len(frame.fields)
                if fields > MAX_SLOW_FIELDS:
                    raise DecoderRefused(f"{TOO_MANY} {MAX_SLOW_FIELDS} values")
                yield frame
    except DecoderRefused:
        raise
    except Exception as error:  # the decoder raises whatever a damaged file makes it stumble on
        raise DecoderRefused(f"the decoder stopped ({error or type(error).__name__})") from error


def _record(frame: Any) -> dict[int, float]:
    """Return the raw values of a record's own fields, by field number; no developer fields."""
    row: dict[int, float] = {}
    for one in frame.fields:
        definition = one.field_def
        if definition is None:
            number = 253 if one.field is not None and one.field.def_num == 253 else None
        else:
            number = None if definition.is_dev else definition.def_num
        value = one.raw_value[0] if isinstance(one.raw_value, tuple) else one.raw_value
        if number in RECORD_TYPES and isinstance(value, int | float):
            row.setdefault(number, float(value))
    return row


def _samples_of_rows(rows: list[dict[int, float]]) -> Samples:
    def column(number: int) -> Numbers:
        return np.array([row.get(number, np.nan) for row in rows], dtype=np.float64)

    values = {name: column(number) for number, name in NAMES.items()}
    return Samples(column(253) + FIT_EPOCH, values)


def _message(frame: Any) -> Message:
    """Return a device message keyed as by the fast decoder: names; numbers of unknown fields."""
    message: Message = {}
    for one in frame.fields:
        if one.value is None:
            continue
        key: str | int = one.name
        number = None if one.field_def is None or one.field_def.is_dev else one.field_def.def_num
        if frame.global_mesg_num == EVENT and number == 3:
            key = "data"  # not by the name that this kind of event gives it
        elif one.field is None and one.field_def is not None:
            key = int(one.field_def.def_num)
        elif str(key).endswith("device_type"):
            message["device_type"] = one.raw_value
            continue
        raw = key in ("timestamp", "serial_number", "data")
        message[key] = one.raw_value if raw else one.value
    stamp = message.get("timestamp")
    if isinstance(stamp, int):
        message["timestamp"] = stamp + FIT_EPOCH
    return message
