"""The walk through a FIT file: where its messages lie, whether it is whole, what is wrong.

The walk reads headers and definitions only and skips the data, so it costs a fraction of the
decoding. It decides what a decoder is given: a file that ends early or has a wrong length is
closed again after its last whole message; after a damaged place the walk looks for the next
records; a file that would fill a decoder's memory, or that the fast decoder would misread, is
kept from it.
"""

from dataclasses import dataclass, field
from typing import Literal

from ingest.readers.recordings.fit_checksum import checksum_bytes
from ingest.readers.recordings.fit_layout import (
    DEVICE_MESSAGES,
    RECORD,
    Definition,
    Layout,
    add_device_messages,
    read_definition,
)

MAX_MESSAGES = 2_000_000
MAX_CELLS = 20_000_000
"""Records × columns that a decoder may be asked to lay out (8 bytes each)."""
MAX_SEARCHED = 1_000_000
"""Bytes that may be searched for records behind damaged places."""
MAX_RESUMED = 50
DATED = 0x10000000
"""FIT times below count from switching on."""
LONGEST_S = 7 * 86_400
"""After the first record; a later time is an error."""
NEXT_WITHIN, NEXT_WITHIN_S = 6, 60
"""A record is plausible when another follows within this many messages and seconds."""


def walk(data: bytes) -> Layout:
    """Return the layout of `data`, from its first header to its end. Never raises."""
    layout, at = Layout(), 0
    while at < len(data) and not layout.faults:
        at = _one_file(data, at, layout)
    if layout.records * len(layout.columns) > MAX_CELLS:
        layout.slow = "it has more columns than its records can fill"
    return layout


def _one_file(data: bytes, at: int, layout: Layout) -> int:
    """Follow one header, its messages and its checksum; return where the next file would start."""
    if data[at + 8 : at + 12] != b".FIT" or data[at] < 12:
        layout.faults.append(f"{len(data) - at} bytes after its end are no further recording")
        return len(data)
    start = at + data[at]
    end = start + int.from_bytes(data[at + 4 : at + 8], "little")
    _check_header(data, at, layout)
    sound = end + 2 <= len(data) and data[end : end + 2] == checksum_bytes(data[at:end])
    if not _ends_well(data, end) and not sound:
        layout.faults.append(_length_fault(data, end))
        _Walk(data, len(data), layout, damaged=True).from_(start)
        return len(data)
    _Walk(data, min(end, len(data)), layout, damaged=not sound).from_(start)
    if not sound:
        layout.faults.append("its checksum does not match: something in it was changed")
    return end + 2


def _ends_well(data: bytes, end: int) -> bool:
    """Return whether a checksum, and then nothing or a further header, follows `end`."""
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


@dataclass
class _Walk:
    """Follows one file's messages up to `end` and adds them to `layout`."""

    data: bytes
    end: int
    layout: Layout
    damaged: bool
    known: list[Definition | None] = field(default_factory=lambda: [None] * 16)
    records: dict[int, Definition] = field(default_factory=dict)
    first_s: int | None = None
    doubtful_s: int | None = None
    strange: int = 0
    resumed: int = 0
    searched: int = 0

    def from_(self, start: int) -> None:
        """Follow the messages from `start`, on beyond damaged places where records are found."""
        at, faults = start, self.layout.faults
        while True:
            at, fault = self._on(at)
            self.layout.bodies.append((start, at))
            if fault is None:
                return
            found = self._next_record(at)
            if found is None:
                faults.append(f"{fault} (byte {at}); what came before it is kept")
                return
            faults.append(f"{fault} (byte {at}); read on from byte {found[0]}")
            at, start = found[0], found[0]
            self.known[found[1]] = self.records[found[1]]
            self.layout.bodies.append(self.records[found[1]].at)

    def _on(self, at: int) -> tuple[int, str | None]:
        """Follow messages to the end or a damaged place; return where that is, and the fault."""
        data, end, layout = self.data, self.end, self.layout
        while at < end:
            head = data[at]
            if layout.messages > MAX_MESSAGES:
                self.resumed = MAX_RESUMED
                return at, f"it has more than {MAX_MESSAGES} messages"
            if head & 0xC0 == 0x40:
                definition = read_definition(data, at, end, layout)
                if definition is None:
                    return at, "a definition is damaged"
                self._learn(head & 15, definition)
                at = definition.at[1]
                continue
            definition = self.known[(head >> 5) & 3 if head & 0x80 else head & 15]
            if definition is None:
                return at, "a message of an unknown kind"
            stride = definition.size + 1
            if at + stride > end:
                return at, "the last message is not whole"
            run = 1
            if at + stride < end and data[at + stride] == head:
                run = _run(data, at, min(end, at + stride * MAX_MESSAGES), stride)
            whole = run
            if definition.message == RECORD and (self.damaged or self.first_s is None):
                whole = self._in_time(at, run, definition)
            self._count(at, whole, definition)
            at += whole * stride
            if whole < run:
                return at, "records with impossible times"
        return at, None

    def _learn(self, local: int, definition: Definition) -> None:
        self.known[local] = definition
        self.layout.messages += 1
        if definition.message == RECORD and definition.time_at is not None:
            self.records[local] = definition

    def _count(self, at: int, run: int, definition: Definition) -> None:
        self.layout.messages += run
        if definition.message == RECORD:
            self.layout.records += run
        elif definition.message in DEVICE_MESSAGES:
            run_of_bytes = (at, at + run * (definition.size + 1))
            add_device_messages(self.data, run_of_bytes, definition, self.layout)

    def _in_time(self, at: int, run: int, definition: Definition) -> int:
        """Return how many of a run of records come before two in a row with impossible times.

        In a file that is known to be damaged a walk that fell out of step may read on over
        what it takes for records; their times give it away. The ride starts with the first of
        two records whose times agree.
        """
        if definition.time_at is None:
            return run
        for number in range(run):
            time = self._time(at + number * (definition.size + 1), definition)
            if self.first_s is None:
                before, self.doubtful_s = self.doubtful_s, time
                if before is not None and time is not None and abs(time - before) <= LONGEST_S:
                    self.first_s = min(before, time)
            elif not self.damaged:
                return run
            elif time is not None and abs(time - self.first_s) <= LONGEST_S:
                self.strange = 0
            else:
                self.strange += 1
                if self.strange == 2:
                    self.strange = 0
                    return number
        return run

    def _time(self, at: int, definition: Definition) -> int | None:
        """Return the time stamp of the record at `at`; None if it has none or no date."""
        if definition.time_at is None:
            return None
        here = at + 1 + definition.time_at
        order: Literal["big", "little"] = "big" if definition.big else "little"
        seconds = int.from_bytes(self.data[here : here + 4], order)
        return seconds if seconds >= DATED else None

    def _next_record(self, at: int) -> tuple[int, int] | None:
        """Return (place, local type) of the next plausible record after a damaged place."""
        if self.resumed >= MAX_RESUMED or self.first_s is None:
            return None
        self.resumed += 1
        limit = min(self.end, at + MAX_SEARCHED - self.searched)
        for place in range(at + 1, limit):
            local = self.data[place]
            if local in self.records and self._believable(place, local):
                self.searched += place - at
                return place, local
        self.searched += limit - at
        return None

    def _believable(self, place: int, local: int) -> bool:
        """Return whether a record stands at `place`, and another one soon after it."""
        definition = self.records[local]
        first, time = self.first_s, self._time(place, definition)
        if first is None or time is None or abs(time - first) > LONGEST_S:
            return False
        at = place + definition.size + 1
        for _ in range(NEXT_WITHIN):
            if at >= self.end:
                return False
            following = self.records.get(self.data[at]) or self.known[self.data[at] & 15]
            if self.data[at] > 15 or following is None:
                return False
            if following.message == RECORD:
                later = self._time(at, following)
                return later is not None and 0 <= later - time <= NEXT_WITHIN_S
            at += following.size + 1
        return False


def _run(data: bytes, at: int, end: int, stride: int) -> int:
    """Return how many whole messages with the same header byte follow one another from `at`."""
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
