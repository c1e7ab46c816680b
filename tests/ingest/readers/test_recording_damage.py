"""Damaged and hostile files: they give what they hold, are marked, and never raise or spin."""

import gzip
import random
from typing import Any

import polars as pl
import pytest

from ingest.readers import Recording, RecordingError, read_recording
from ingest.readers.recordings import csv_samples as recording_csv
from ingest.readers.recordings import fit as recording_fit
from ingest.readers.recordings import fit_walk as recording_fit_walk
from ingest.readers.recordings import reader as recording
from ingest.readers.recordings import tcx as recording_tcx
from ingest.readers.recordings.fit_checksum import checksum, closed
from ingest.readers.recordings.fit_walk import walk
from tests.ingest.readers.fit_mutations import KINDS, mutants
from tests.ingest.readers.fit_writer import FitWriter, with_fresh_checksums
from tests.ingest.readers.fit_writer import checksum as slow_checksum
from tests.ingest.recordings import rides

T = 1_100_000_000


@pytest.fixture(scope="module")
def whole() -> bytes:
    ride = rides.ride(seconds=300)
    return rides.fit_bytes(ride, [rides.device(ride.start, battery_voltage=3.1)])


def _read_or_refuse(data: bytes, name: str) -> Recording | str:
    try:
        return read_recording(data, name=name)
    except RecordingError as refusal:
        return str(refusal)


@pytest.mark.parametrize("kind", KINDS)
def test_every_damaged_file_is_read_and_marked(whole: bytes, kind: str) -> None:
    """Marked: partial says why, or a clear refusal. A file whose checksums were mended may only
    go unmarked if it is, by the format's own rules, a whole file."""
    intact = read_recording(whole).frame
    for number, mutant in enumerate(mutants(whole, 320, seed=11)):
        if mutant.kind != kind or mutant.data == whole:
            continue
        found = _read_or_refuse(mutant.data, f"{number}.fit")
        if isinstance(found, str):
            assert found.startswith(f"{number}.fit: ")
            continue
        if found.partial is None:
            assert kind.endswith("_mended")
            assert walk(mutant.data).faults == []
        elif kind in ("cut", "lie"):
            assert found.frame.equals(intact.head(found.frame.height))


@pytest.mark.parametrize("cut", [100, 1000, 3000, 7000])
def test_a_cut_file_gives_every_whole_record_before_the_cut(whole: bytes, cut: int) -> None:
    found = read_recording(whole[:cut])
    assert found.partial is not None
    assert "cut short" in found.partial
    intact = read_recording(whole).frame
    assert found.frame.equals(intact.head(found.frame.height))
    records = walk(whole[:cut]).records
    assert found.frame.height == records
    assert walk(whole).records - records <= (len(whole) - cut) // 20 + 2


def test_a_file_that_was_never_closed_is_read_to_its_end(whole: bytes) -> None:
    """Devices write the size last: where the power went first it still says 0."""
    unclosed = whole[:4] + bytes(4) + whole[8:12] + bytes(2) + whole[14:-2]
    found = read_recording(unclosed)
    assert found.frame.equals(read_recording(whole).frame)
    assert found.partial is not None
    assert "its header says" in found.partial


def test_a_lost_header_is_mended(whole: bytes) -> None:
    for damaged in (b"\x00" * 14 + whole[14:], whole[3:], b"??" + whole):
        found = read_recording(damaged)
        assert found.frame["power_w"].sum() == read_recording(whole).frame["power_w"].sum()
        assert found.partial is not None
        assert "header" in found.partial


def test_a_changed_byte_in_a_value_is_found_by_the_checksum(whole: bytes) -> None:
    damaged = bytearray(whole)
    damaged[-30] ^= 0x01
    found = read_recording(bytes(damaged))
    assert found.partial is not None
    assert "checksum does not match" in found.partial
    assert found.frame.height == 300


@pytest.mark.parametrize("damage", ["insert", "remove", "zeros"])
def test_records_behind_a_damaged_place_are_found_again(whole: bytes, damage: str) -> None:
    at = len(whole) // 2
    filling = {"insert": b"\xff" * 7, "remove": b"", "zeros": bytes(100)}[damage]
    gone = {"insert": 0, "remove": 9, "zeros": 100}[damage]
    found = read_recording(whole[:at] + filling + whole[at + gone :])
    intact = read_recording(whole).frame
    kept = found.frame.join(intact, on=intact.columns, how="semi", nulls_equal=True)
    assert kept.height >= 300 - 3 - gone // 20
    assert found.frame.height - kept.height <= 2
    assert found.partial is not None
    if damage != "zeros":  # zeros of whole messages need no search
        assert "read on from byte" in found.partial


def test_the_search_behind_damaged_places_is_bounded(
    whole: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    noise = random.Random(3).randbytes(4000)
    monkeypatch.setattr(recording_fit_walk, "MAX_SEARCHED", 1000)
    at = len(whole) // 2
    found = read_recording(whole[:at] + b"\xff" * 7 + noise + whole[at:])
    assert 140 <= found.frame.height <= 160
    assert found.partial is not None
    assert "what came before it is kept" in found.partial


def test_bytes_after_the_end_are_said(whole: bytes) -> None:
    found = read_recording(whole + b"tail")
    assert found.partial == "4 bytes after its end are no further recording"
    assert found.frame.height == 300


def test_a_time_stamp_with_a_flipped_bit_costs_one_record(whole: bytes) -> None:
    writer = FitWriter()
    writer.define(0, 20, [(253, "uint32", 1), (7, "uint16", 1)])
    for second in range(100):
        writer.data(0, T + second ^ (1 << 20 if second == 50 else 0), 200 + second)
    found = read_recording(writer.closed())
    assert found.frame.height == 99
    assert 250 not in found.frame["power_w"].to_list()
    assert found.partial == "1 records out of step with their neighbours were left out"


def test_absurd_values_are_left_out_and_counted() -> None:
    writer = FitWriter()
    writer.define(0, 20, [(253, "uint32", 1), (7, "uint16", 1), (13, "sint8", 1)])
    for second in range(10):
        writer.data(0, T + second, 65_000 if second == 3 else 200, 21)
    found = read_recording(writer.closed())
    assert found.frame["power_w"].null_count() == 1
    assert found.notices == ("power_w: 1 values like 65000 were left out, expected 0 to 5000 W",)


def test_a_damaged_tcx_gives_what_came_before() -> None:
    ride = rides.ride(seconds=120)
    data = rides.tcx_bytes(ride)
    found = read_recording(data[: len(data) // 2])
    assert found.partial is not None
    assert "its end is missing" in found.partial
    assert 40 < found.frame.height < 70
    assert found.frame["power_w"].to_list() == ride.power[: found.frame.height].tolist()


def test_track_points_behind_a_damaged_one_are_kept() -> None:
    ride = rides.ride(seconds=120)
    data = bytearray(rides.tcx_bytes(ride))
    place = data.find(b"<Trackpoint>", len(data) // 2)
    data[place] = ord("x")
    found = read_recording(bytes(data))
    assert found.partial is not None
    assert "XML is damaged in line" in found.partial
    assert found.frame.height == 119


def test_entities_are_not_followed() -> None:
    bomb = "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 12))
    text = (
        f'<?xml version="1.0"?><!DOCTYPE t [<!ENTITY e0 "9999999999">{bomb}'
        '<!ENTITY file SYSTEM "file:///etc/hostname">]>'
        "<TrainingCenterDatabase><Trackpoint><Time>2026-03-01T09:00:00Z</Time>"
        "<Cadence>&e11;</Cadence></Trackpoint><Trackpoint><Time>&file;</Time></Trackpoint>"
        "</TrainingCenterDatabase>"
    )
    found = read_recording(text.encode())
    assert found.frame.height <= 1
    assert found.frame["cadence_rpm"].drop_nulls().is_empty()


def test_more_track_points_than_the_limit_are_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording_tcx, "MAX_POINTS", 50)
    found = read_recording(rides.tcx_bytes(rides.ride(seconds=80)))
    assert found.frame.height == 50
    assert found.partial is not None
    assert "more than 50" in found.partial


def test_a_csv_beyond_the_limit_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording_csv, "MAX_CSV_BYTES", 2000)
    found = read_recording(rides.csv_bytes(rides.ride(seconds=300)))
    assert 30 < found.frame.height < 100
    assert found.partial is not None
    assert "the rest was left" in found.partial


def test_a_csv_full_of_quotation_marks_is_refused() -> None:
    with pytest.raises(RecordingError, match="5000 lines whose quotation marks do not close"):
        read_recording(b"time,power_w\n" + b'1,"2\n' * 5000)


def test_a_gzip_bomb_stops_at_the_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording, "MAX_BYTES", 5000)
    ride = rides.ride(seconds=300)
    found = read_recording(gzip.compress(rides.fit_bytes(ride) + bytes(2_000_000)))
    assert found.partial is not None
    assert "unpacks to more than" in found.partial
    assert 0 < found.frame.height < 300


def test_a_file_of_empty_messages_stops_at_the_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording_fit_walk, "MAX_MESSAGES", 1000)
    writer = FitWriter()
    writer.define(0, 20, [])
    writer.define(1, 20, [])
    writer.body += b"\x00\x01" * 5000
    found = read_recording(writer.closed())
    assert found.frame.is_empty()
    assert found.partial is not None
    assert "more than 1000 messages" in found.partial


def test_a_run_of_empty_messages_stops_at_the_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording_fit_walk, "MAX_MESSAGES", 1000)
    writer = FitWriter()
    writer.define(0, 20, [])
    writer.body += bytes(5000)
    layout = walk(writer.closed())
    assert layout.messages <= 2001
    assert "more than 1000 messages" in layout.faults[0]


def test_columns_that_would_fill_the_memory_are_kept_from_the_fast_decoder(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(recording_fit_walk, "MAX_CELLS", 4000)
    writer = FitWriter()
    for number in range(100, 200):
        writer.define(0, 20, [(253, "uint32", 1), (number, "uint8", 1)])
        writer.data(0, T + number, 1)
    assert walk(writer.closed()).slow == "it has more columns than its records can fill"
    assert read_recording(writer.closed()).decoder == "fitdecode"


def test_the_patient_decoder_stops_at_its_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording_fit, "MAX_SLOW_FIELDS", 100)
    monkeypatch.setattr(recording_fit, "_fast", lambda *given: None)
    found = read_recording(rides.fit_bytes(rides.ride(seconds=60)))
    assert 0 < found.frame.height < 20
    assert found.partial is not None
    assert "more than 100 values" in found.partial


def test_types_that_make_the_fast_decoder_panic_are_kept_from_it() -> None:
    """An unknown base type divides by zero in fitfast 0.1.0."""
    writer = FitWriter()
    writer.define(0, 20, [(253, "uint32", 1), (7, "uint16", 1)])
    writer.data(0, T, 200)
    data = with_fresh_checksums(writer.closed()[:22] + b"\x55" + writer.closed()[23:])
    assert walk(data).slow is not None
    assert read_recording(data).decoder == "fitdecode"


@pytest.mark.parametrize("described", [(0x55,), (0xFF,), ()])
def test_developer_fields_without_a_known_type_are_kept_from_the_decoders(
    described: tuple[int, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """They divide by zero in fitfast 0.1.0 as well."""
    writer = FitWriter()
    writer.define(3, 207, [(3, "uint8", 1)])
    writer.data(3, 0)
    fields = [(0, "uint8", 1), (1, "uint8", 1), (2, "uint8", 1)][: 2 + len(described)]
    writer.define(2, 206, fields)
    writer.data(2, 0, 0, *described)
    fields = [(253, "uint32", 1), (7, "uint16", 1)]
    writer.define(0, 20, fields, developer=[(0, 0, "uint16", 1)])
    writer.data(0, T, 200, 333)
    found = read_recording(writer.closed())
    assert (found.decoder, found.partial) == ("fitfast", None)
    assert found.notices == ("a developer field was not read: its type is unknown",)
    assert found.frame["power_w"].to_list() == [200]
    monkeypatch.setattr(recording_fit, "_fast", lambda *given: None)
    assert read_recording(writer.closed()).frame.equals(found.frame)


class PanicException(BaseException):
    """Stands for the exception of that name that native decoders raise."""


@pytest.mark.parametrize("error", [PanicException("boom"), ValueError("boom"), MemoryError()])
def test_a_panic_of_the_fast_decoder_is_survived(
    error: BaseException, whole: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    import fitfast

    def fail(*given: Any, **more: Any) -> None:
        raise error

    monkeypatch.setattr(fitfast, "records", fail)
    found = read_recording(whole)
    assert found.decoder == "fitdecode"
    assert found.frame.height == 300


@pytest.mark.parametrize("signal", [KeyboardInterrupt, SystemExit])
def test_interrupts_are_not_swallowed(
    signal: type[BaseException], whole: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    import fitfast

    def fail(*given: Any, **more: Any) -> None:
        raise signal

    monkeypatch.setattr(fitfast, "records", fail)
    with pytest.raises(signal):
        read_recording(whole)


@pytest.mark.parametrize("length", [0, 1, 2, 3, 255, 256, 257, 4099])
def test_the_fast_checksum_is_the_obvious_one(length: int) -> None:
    data = random.Random(length).randbytes(length)
    assert checksum(data) == slow_checksum(data)


def test_the_checksum_is_crc_16_arc() -> None:
    """Source: the check value of CRC-16/ARC in the catalogue of parametrised CRCs, 0xBB3D."""
    assert checksum(b"123456789") == 0xBB3D


def test_a_closed_body_is_a_whole_file(whole: bytes) -> None:
    assert walk(closed(whole[14:-2])).pristine


def test_an_empty_recording_keeps_its_columns() -> None:
    found = read_recording(FitWriter().closed())
    assert found.frame.is_empty()
    assert found.frame.schema["time"] == pl.Datetime("us", "UTC")
