"""Writes FIT files byte by byte, so that tests can make what no device should.

The layout follows the open FIT protocol: a header, definition messages, data messages, a
checksum (CRC-16, polynomial 0xA001 reflected) over everything before it.
"""

import struct
from dataclasses import dataclass, field

EPOCH = 631_065_600
"""Unix seconds of 1989-12-31T00:00:00Z, where FIT time starts."""

BASE_TYPES = {
    "enum": (0x00, "B"),
    "uint8": (0x02, "B"),
    "sint16": (0x83, "h"),
    "uint16": (0x84, "H"),
    "sint32": (0x85, "i"),
    "uint32": (0x86, "I"),
    "string": (0x07, "s"),
    "float32": (0x88, "f"),
    "sint8": (0x01, "b"),
    "uint32z": (0x8C, "I"),
    "byte": (0x0D, "B"),
}


def checksum(data: bytes, crc: int = 0) -> int:
    """CRC-16 of the FIT protocol, bit by bit (the slow, obvious way)."""
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def with_fresh_checksums(data: bytes) -> bytes:
    """The same bytes with size and both checksums made right again (14-byte header)."""
    body = data[14:-2]
    head = data[:4] + len(body).to_bytes(4, "little") + b".FIT"
    return _closed(head, body)


def _closed(head: bytes, body: bytes, *, header_crc: bool = True) -> bytes:
    head += checksum(head).to_bytes(2, "little") if header_crc else b"\0\0"
    return head + body + checksum(head + body).to_bytes(2, "little")


@dataclass
class FitWriter:
    """Collects messages; `closed()` gives the file."""

    body: bytearray = field(default_factory=bytearray)
    formats: dict[int, str] = field(default_factory=dict)

    def define(
        self,
        local: int,
        message: int,
        fields: list[tuple[int, str, int]],
        *,
        developer: list[tuple[int, int, str, int]] | None = None,
        big_endian: bool = False,
    ) -> None:
        """A definition message; fields are (number, base type, how many values).

        Developer fields are (number, developer index, base type, how many values).
        """
        order = ">" if big_endian else "<"
        head = 0x40 | local | (0x20 if developer else 0)
        self.body += bytes([head, 0, int(big_endian)])
        self.body += struct.pack(order + "HB", message, len(fields))
        layout = order
        for number, base, count in fields:
            code, letter = BASE_TYPES[base]
            size = struct.calcsize("<" + letter) * count
            self.body += bytes([number, size, code])
            layout += f"{count}{letter}"
        if developer:
            self.body.append(len(developer))
            for number, index, base, count in developer:
                letter = BASE_TYPES[base][1]
                self.body += bytes([number, struct.calcsize("<" + letter) * count, index])
                layout += f"{count}{letter}"
        self.formats[local] = layout

    def data(self, local: int, *values: float | bytes) -> None:
        """A data message of a local type defined before."""
        self.body += bytes([local]) + struct.pack(self.formats[local], *values)

    def compressed(self, local: int, offset: int, *values: float | bytes) -> None:
        """A data message with a compressed time stamp header (offset 0 to 31 s)."""
        self.body += bytes([0x80 | local << 5 | offset])
        self.body += struct.pack(self.formats[local], *values)

    def closed(self, *, header_crc: bool = True, header_size: int = 14) -> bytes:
        """The whole file."""
        head = struct.pack("<BBHI4s", header_size, 0x20, 2100, len(self.body), b".FIT")
        if header_size == 12:
            whole = head + bytes(self.body)
            return whole + checksum(whole).to_bytes(2, "little")
        return _closed(head, bytes(self.body), header_crc=header_crc)
