"""The messages of a FIT file, and which of them a decoder may be given.

Source: the open FIT protocol (header, definition and data messages, CRC-16).
"""

from dataclasses import dataclass, field

MAX_BYTES = 64_000_000
"""A day at one record a second is 5 to 10 MB."""

FILE_ID, BIKE_PROFILE, RECORD, EVENT, DEVICE_INFO = 0, 6, 20, 21, 23
SENSOR_SETTINGS, FIELD_DESCRIPTION, DEVELOPER_ID, AUX_BATTERY = 147, 206, 207, 375
DEVICE_MESSAGES = frozenset((FILE_ID, BIKE_PROFILE, EVENT, DEVICE_INFO, SENSOR_SETTINGS))
DEVICE_MESSAGES |= {FIELD_DESCRIPTION, DEVELOPER_ID, AUX_BATTERY}

BASE_SIZES = {0x00: 1, 0x01: 1, 0x02: 1, 0x83: 2, 0x84: 2, 0x85: 4, 0x86: 4, 0x07: 1, 0x88: 4}
BASE_SIZES |= {0x89: 8, 0x0A: 1, 0x8B: 2, 0x8C: 4, 0x0D: 1, 0x8E: 8, 0x8F: 8, 0x90: 8}
RECORD_TYPES = {253: 0x86, 7: 0x84, 4: 0x02, 13: 0x01, 30: 0x02}
"""Base types of time stamp, power, cadence, temperature, balance; the fast decoder assumes them."""
RECORD_NAMES = frozenset(("timestamp", "power", "cadence", "temperature", "left_right_balance"))


@dataclass
class Layout:
    """What the walk found.

    bodies    (start, end) of each stretch of whole messages; files may be chained
    faults    what is wrong with the file, in words; empty: as it should be
    slow      why the fast decoder must not have it; None: it may
    unchecked a header without a checksum: legal, but the fast decoder would refuse it
    device    the device messages with their definitions, as a body of their own
    left_out  (start, end) of descriptions of developer fields that would mislead a decoder
    notices   what they were
    """

    bodies: list[tuple[int, int]] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    slow: str | None = None
    unchecked: bool = False
    device: bytearray = field(default_factory=bytearray)
    left_out: list[tuple[int, int]] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    messages: int = 0
    records: int = 0
    columns: set[tuple[int, int]] = field(default_factory=set)

    @property
    def pristine(self) -> bool:
        """Whether a decoder can be given the bytes as they are."""
        return not (self.faults or self.unchecked or self.left_out)

    def body(self, data: bytes) -> bytes:
        """Return the whole messages of `data`, without those left out."""
        parts, left_out = [], iter(self.left_out)
        skip = next(left_out, None)
        for start, end in self.bodies:
            while skip is not None and skip[1] <= end:
                parts.append(data[start : skip[0]])
                start, skip = skip[1], next(left_out, None)
            parts.append(data[start:end])
        return b"".join(parts)


@dataclass
class Definition:
    """What a definition message says of the messages of its local type.

    at       (start, end) of the definition itself
    size     bytes of a message, without its header byte
    big      big-endian
    time_at  where a record keeps its time stamp
    type_at  where a field description keeps its base type
    name_at  and its name (offset, length)
    """

    message: int
    at: tuple[int, int]
    big: bool = False
    size: int = 0
    time_at: int | None = None
    type_at: int | None = None
    name_at: tuple[int, int] | None = None


def add_device_messages(
    data: bytes, run: tuple[int, int], definition: Definition, layout: Layout
) -> None:
    """Add a run of device messages of one kind to `layout.device`."""
    if definition.message != FIELD_DESCRIPTION:
        layout.device += data[run[0] : run[1]]
        return
    stride = definition.size + 1
    for start in range(*run, stride):
        message = data[start : start + stride]
        trouble = _trouble(message[1:], definition)
        if trouble is None:
            layout.device += message
        else:
            layout.left_out.append((start, start + stride))
            layout.notices.append(f"a developer field was not read: {trouble}")


def _trouble(raw: bytes, definition: Definition) -> str | None:
    """Return why a decoder must not be given a developer field; None: it may.

    Without a known type it would divide by zero; with the name of one of a record's own fields
    it would take that field's place.
    """
    if definition.type_at is None or raw[definition.type_at] not in BASE_SIZES:
        return "its type is unknown"
    if definition.name_at is not None:
        start, length = definition.name_at
        name = raw[start : start + length].split(b"\0")[0].decode("utf-8", "replace")
        if name in RECORD_NAMES:
            return f"it is called {name} like a field of the records"
    return None


def read_definition(data: bytes, at: int, end: int, layout: Layout) -> Definition | None:
    """Return the definition message at `at`, added to the layout; None if it cannot be one."""
    if at + 6 > end or data[at + 2] > 1:
        return None
    big = bool(data[at + 2])
    message = int.from_bytes(data[at + 3 : at + 5], "big" if big else "little")
    fields = at + 6
    after = fields + 3 * data[at + 5]
    developer = after
    if data[at] & 0x20:
        after = developer + 1 + 3 * data[developer] if developer < end else end + 1
    if after > end:
        return None
    definition = Definition(message, (at, after), big)
    for here in range(fields, developer, 3):
        _field(data[here : here + 3], definition, layout)
    for here in range(developer + 1, after, 3):
        definition.size += data[here + 1]
        if message == RECORD:
            layout.columns.add((data[here + 2] + 1, data[here]))
    if message in DEVICE_MESSAGES:
        layout.device += data[at:after]
    return definition


def _field(raw: bytes, definition: Definition, layout: Layout) -> None:
    """Add a field to a definition; `layout.slow` where the fast decoder would misread it."""
    number, size, base = raw
    if base not in BASE_SIZES or size == 0 or size % BASE_SIZES[base]:
        layout.slow = f"field {number} of message {definition.message} has a size unlike its type"
    if definition.message == RECORD:
        expected = RECORD_TYPES.get(number)
        if expected is not None and (base != expected or size != BASE_SIZES[expected]):
            layout.slow = f"field {number} of its records has an unusual type"
        layout.columns.add((0, number))
        if number == 253 and size == 4:
            definition.time_at = definition.size
    elif definition.message == FIELD_DESCRIPTION and number == 2:
        definition.type_at = definition.size
    elif definition.message == FIELD_DESCRIPTION and number == 3:
        definition.name_at = (definition.size, size)
    definition.size += size
