"""How a FIT file is laid out: where its messages lie, whether it is whole, what is wrong.

The walk reads headers and definitions only and skips the data, so it costs a fraction of the
decoding. It decides what a decoder is given: a file that ends early or lies about its length
is closed again after its last whole message; a file that would make a decoder fill the memory,
or that the fast decoder would read wrongly, is kept from it.

Source of the layout: the open FIT protocol (header, definition and data messages, CRC-16).
"""

from dataclasses import dataclass, field

from ingest.readers.recording_fit_checksum import checksum_bytes

MAX_BYTES = 64_000_000
"""A day at one record a second is 5 to 10 MB."""
MAX_MESSAGES = 2_000_000
MAX_CELLS = 20_000_000
"""Records × columns that a decoder may be asked to lay out (8 bytes each)."""

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
        """The whole messages of `data`, but for those left out."""
        parts, left_out = [], iter(self.left_out)
        skip = next(left_out, None)
        for start, end in self.bodies:
            while skip is not None and skip[1] <= end:
                parts.append(data[start : skip[0]])
                start, skip = skip[1], next(left_out, None)
            parts.append(data[start:end])
        return b"".join(parts)


@dataclass
class _Definition:
    message: int
    size: int
    raw: bytes
    type_at: int | None = None  # where a field description keeps its base type
    name_at: tuple[int, int] | None = None  # and its name (offset, length)


def walk(data: bytes) -> Layout:
    """Follow the messages of `data` from its first header to its end. Never raises."""
    layout, at = Layout(), 0
    while at < len(data) and not layout.faults:
        at = _one_file(data, at, layout)
    if layout.records * len(layout.columns) > MAX_CELLS:
        layout.slow = "it has more columns than its records can fill"
    return layout


def _one_file(data: bytes, at: int, layout: Layout) -> int:
    """One header, its messages and its checksum; gives where the next file would start."""
    if data[at + 8 : at + 12] != b".FIT" or data[at] < 12:
        layout.faults.append(f"{len(data) - at} bytes after its end are no further recording")
        return len(data)
    start = at + data[at]
    end = start + int.from_bytes(data[at + 4 : at + 8], "little")
    _check_header(data, at, layout)
    sound = end + 2 <= len(data) and data[end : end + 2] == checksum_bytes(data[at:end])
    if not _ends_well(data, end) and not sound:
        layout.faults.append(_length_fault(data, end))
        layout.bodies.append((start, _messages(data, start, len(data), layout)))
        return len(data)
    layout.bodies.append((start, _messages(data, start, end, layout)))
    if not sound:
        layout.faults.append("its checksum does not match: something in it was changed")
    return end + 2


def _ends_well(data: bytes, end: int) -> bool:
    """Whether a checksum, and then nothing or a further header, follows `end`."""
    after = end + 2
    return after == len(data) or (after < len(data) and data[after + 8 : after + 12] == b".FIT")


def _length_fault(data: bytes, end: int) -> str:
    if end + 2 > len(data):
        return f"it is cut short: its header promises {end + 2} bytes, it has {len(data)}"
    return f"its header says that it ends after {end + 2} bytes, it has {len(data)}"


def _check_header(data: bytes, at: int, layout: Layout) -> None:
    found = data[at + 12 : at + 14]
    if data[at] == 12:
        return
    if data[at] != 14:
        layout.faults.append(f"its header has {data[at]} bytes, expected 12 or 14")
    elif found == b"\0\0":
        layout.unchecked = True
    elif found != checksum_bytes(data[at : at + 12]):
        layout.faults.append("the checksum of its header does not match")


def _messages(data: bytes, at: int, end: int, layout: Layout) -> int:
    """Walk the messages in data[at:end]; gives the end of the last whole one."""
    known: list[_Definition | None] = [None] * 16
    end = min(end, len(data))
    while at < end:
        head = data[at]
        if layout.messages > MAX_MESSAGES:
            layout.faults.append(f"it has more than {MAX_MESSAGES} messages")
            return at
        if head & 0xC0 == 0x40:
            after = _definition(data, at, end, known, layout)
            if after is None:
                layout.faults.append(_fault("a definition is damaged", at))
                return at
            at = after
            continue
        definition = known[(head >> 5) & 3 if head & 0x80 else head & 15]
        if definition is None:
            layout.faults.append(_fault("a message of an unknown kind", at))
            return at
        stride = definition.size + 1
        if at + stride > end:
            layout.faults.append(_fault("the last message is not whole", at))
            return at
        run = 1
        if at + stride < end and data[at + stride] == head:
            run = _run(data, at, end, stride)
        layout.messages += run
        if definition.message == RECORD:
            layout.records += run
        elif definition.message in DEVICE_MESSAGES:
            _take(data, (at, at + run * stride), definition, layout)
        at += run * stride
    return at


def _fault(what: str, at: int) -> str:
    return f"{what} (byte {at}); what came before it is kept"


def _run(data: bytes, at: int, end: int, stride: int) -> int:
    """How many whole messages with the same header byte follow one another from `at`."""
    head, most = data[at : at + 1], (end - at) // stride
    run, window = 1, 4
    while run < most:
        here = at + run * stride
        heads = data[here : here + min(window, most - run) * stride : stride]
        same = len(heads) - len(heads.lstrip(head))
        run += same
        if same < len(heads):
            break
        window *= 4
    return run


def _take(data: bytes, run: tuple[int, int], definition: _Definition, layout: Layout) -> None:
    """Set device messages of one kind aside for the excerpt."""
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


def _trouble(raw: bytes, definition: _Definition) -> str | None:
    """Why a decoder must not learn of a developer field.

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


def _definition(
    data: bytes, at: int, end: int, known: list[_Definition | None], layout: Layout
) -> int | None:
    """Take in a definition message; gives where it ends, None if it cannot be one."""
    if at + 6 > end or data[at + 2] > 1:
        return None
    message = int.from_bytes(data[at + 3 : at + 5], "big" if data[at + 2] else "little")
    fields = at + 6
    after = fields + 3 * data[at + 5]
    developer = after
    if data[at] & 0x20:
        after = developer + 1 + 3 * data[developer] if developer < end else end + 1
    if after > end:
        return None
    definition = _Definition(message, 0, data[at:after])
    for here in range(fields, developer, 3):
        _field(data[here : here + 3], definition, layout)
    for here in range(developer + 1, after, 3):
        definition.size += data[here + 1]
        if message == RECORD:
            layout.columns.add((data[here + 2] + 1, data[here]))
    known[data[at] & 15] = definition
    if message in DEVICE_MESSAGES:
        layout.device += definition.raw
    layout.messages += 1
    return after


def _field(raw: bytes, definition: _Definition, layout: Layout) -> None:
    """One field of a definition: its place, and whether the fast decoder can be trusted with it."""
    number, size, base = raw
    if base not in BASE_SIZES or size == 0 or size % BASE_SIZES[base]:
        layout.slow = f"field {number} of message {definition.message} has a size unlike its type"
    if definition.message == RECORD:
        expected = RECORD_TYPES.get(number)
        if expected is not None and (base != expected or size != BASE_SIZES[expected]):
            layout.slow = f"field {number} of its records has an unusual type"
        layout.columns.add((0, number))
    elif definition.message == FIELD_DESCRIPTION and number == 2:
        definition.type_at = definition.size
    elif definition.message == FIELD_DESCRIPTION and number == 3:
        definition.name_at = (definition.size, size)
    definition.size += size
