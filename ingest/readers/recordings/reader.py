"""Read a recording of a ride from FIT, TCX or CSV: the entry for all formats."""

import stat
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path

import polars as pl

from ingest.readers.recordings.csv_columns import with_columns_named
from ingest.readers.recordings.csv_samples import EXPECTED, RecordingError, read_csv_recording
from ingest.readers.recordings.devices import (
    crank_length_mm,
    devices,
    no_devices,
    no_zeros,
    only_power_meter,
    zeros,
)
from ingest.readers.recordings.fit import looks_like_fit, read_fit
from ingest.readers.recordings.fit_layout import MAX_BYTES
from ingest.readers.recordings.frame import Decoded, clean
from ingest.readers.recordings.tcx import read_tcx

RECORDING_SUFFIXES = (".fit", ".tcx", ".csv")
"""Endings that a folder of recordings is searched for, each also with `.gz` behind it."""


@dataclass(frozen=True)
class Recording:
    """A recording as it was decoded.

    name      what to call it in messages: the file's name
    sha256    of the file's bytes, as hexadecimal digits
    decoder   fitfast, fitdecode, tcx or csv
    frame     one row an instant, times rising strictly: `time` (Datetime, UTC; Float64
              seconds from any start when there are no dates), power_w, cadence_rpm,
              temperature_c (of the head unit), balance_pct (the share of one leg, %: the right
              one's where the file says whose), all Float64 with nulls
    devices   one row a device message (DEVICE_SCHEMA)
    zeros     one row a zero-offset reading (ZERO_SCHEMA)
    partial   why the file is not whole; None: it is
    notices   what was left out or is worth knowing, in words
    """

    name: str
    sha256: str
    decoder: str
    frame: pl.DataFrame
    devices: pl.DataFrame = field(default_factory=no_devices)
    zeros: pl.DataFrame = field(default_factory=no_zeros)
    crank_length_mm: float | None = None
    partial: str | None = None
    notices: tuple[str, ...] = ()

    @property
    def dated(self) -> bool:
        """Whether its times are instants; else they are seconds from any start."""
        return self.frame["time"].dtype.is_temporal()

    @property
    def power_meter_serial(self) -> str | None:
        """The serial number of its power meter; None where it names none or several."""
        return only_power_meter(self.devices)[0]


def read_recording(
    source: Path | str | bytes,
    *,
    name: str | None = None,
    time_zone: str = "UTC",
    columns: Mapping[str, str] | None = None,
) -> Recording:
    """Return one recording, decoded and cleaned.

    source     a path, or the file's bytes
    name       what to call it in messages; else the path's name
    time_zone  of CSV times without an offset
    columns    of a CSV file: column → the heading it goes by

    A damaged file gives what it holds, `partial` says why. RecordingError: the file cannot be
    opened, is no recording at all, or is in units that would mislead.
    """
    name = name or (Path(source).name if not isinstance(source, bytes) else "recording")
    raw = source if isinstance(source, bytes) else _bytes_of(Path(source), name)
    data, faults = _unpacked(raw, name)
    content = _decoded(data, name, time_zone, columns or {})
    cleaned = clean(content.samples)
    found = devices(content.messages)
    faults += content.faults + cleaned.faults
    notices = content.notices + cleaned.notices
    if cleaned.frame["power_w"].null_count() == cleaned.frame.height:
        notices.append("it holds no power")
    return Recording(
        name=name,
        sha256=sha256(raw).hexdigest(),
        decoder=content.decoder,
        frame=cleaned.frame,
        devices=found,
        zeros=zeros(content.messages, found),
        crank_length_mm=crank_length_mm(content.messages),
        partial="; ".join(dict.fromkeys(faults)) or None,
        notices=tuple(dict.fromkeys(notices)),
    )


def looks_like_recording(start: bytes) -> bool:
    """Return whether a file with this start is a recording, not a table or something else."""
    if looks_like_fit(start) or b"TrainingCenterDatabase" in start:
        return True
    header = start.replace(b"\0", b"").removeprefix(b"\xef\xbb\xbf").lower()
    return b"power_w" in header and b"time" in header


def _bytes_of(path: Path, name: str) -> bytes:
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):  # a device gives bytes for ever, a pipe may give none
            raise RecordingError(f"{name}: found something else than a file, expected a recording.")
        if found.st_size > MAX_BYTES:
            raise RecordingError(
                f"{name}: found {found.st_size // 1_000_000} MB, expected a recording of "
                f"at most {MAX_BYTES // 1_000_000} MB."
            )
        return path.read_bytes()
    except OSError as error:
        raise RecordingError(f"{name}: cannot be opened ({error.strerror or error}).") from None


def _unpacked(raw: bytes, name: str) -> tuple[bytes, list[str]]:
    """Return the content of a gzip file, up to the limit on bytes; anything else as it is."""
    if not raw.startswith(b"\x1f\x8b"):
        return raw, []
    unpacker = zlib.decompressobj(wbits=31)
    try:
        data = unpacker.decompress(raw, MAX_BYTES)
    except zlib.error:
        raise RecordingError(f"{name}: found a damaged gzip file. Export it again.") from None
    faults = []
    if unpacker.unconsumed_tail:
        faults.append(f"it unpacks to more than {MAX_BYTES // 1_000_000} MB: the rest was left out")
    elif not unpacker.eof:
        faults.append("its gzip packing is cut short")
    return data, faults


def _decoded(data: bytes, name: str, time_zone: str, columns: Mapping[str, str]) -> Decoded:
    """Return what the bytes look like, decoded, whatever the name ends in."""
    if not data.strip():
        raise RecordingError(f"{name}: found an empty file, expected a recording.")
    if looks_like_fit(data):
        return read_fit(data)
    start = data[:4096].lstrip(b"\xef\xbb\xbf \r\n\t")
    if start.startswith(b"<"):
        if b"TrainingCenterDatabase" in start:
            return read_tcx(data.removeprefix(b"\xef\xbb\xbf"))
        raise RecordingError(
            f"{name}: found XML that is not TCX, expected a recording as FIT, TCX, or CSV with "
            f"{EXPECTED}. Export the ride as FIT: it also carries the meter's identity."
        )
    if start.startswith(b"PK\x03\x04"):
        raise RecordingError(f"{name}: found a zip archive or workbook. Unpack it first.")
    if columns:
        data = with_columns_named(data, name, columns)
    return read_csv_recording(data, name, time_zone=time_zone)
