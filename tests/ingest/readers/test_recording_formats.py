"""FIT, TCX and CSV into one frame: the same ride is the same numbers, whoever decodes it."""

import gzip
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import fitdecode
import polars as pl
import pyfitparsernative
import pytest

from ingest.readers import (
    RecordingError,
    looks_like_recording,
    read_recording,
    unnamed_columns,
    with_columns_named,
)
from ingest.readers.recordings import fit as recording_fit
from tests.ingest.readers.fit_writer import EPOCH, FitWriter
from tests.ingest.recordings import rides

T = 1_100_000_000  # FIT seconds: 2024-11-08


@pytest.fixture(scope="module")
def ride() -> rides.Ride:
    return rides.ride(seconds=900, seed=3)


def _plain_fit(*rows: tuple[int, int, int]) -> FitWriter:
    writer = FitWriter()
    writer.define(0, 20, [(253, "uint32", 1), (7, "uint16", 1), (4, "uint8", 1)])
    for row in rows:
        writer.data(0, *row)
    return writer


def test_fit_tcx_and_csv_of_the_same_ride_are_the_same_numbers(ride: rides.Ride) -> None:
    fit = read_recording(rides.fit_bytes(ride))
    tcx = read_recording(rides.tcx_bytes(ride))
    csv = read_recording(rides.csv_bytes(ride))
    assert (fit.decoder, tcx.decoder, csv.decoder) == ("fitfast", "tcx", "csv")
    same = ["time", "power_w", "cadence_rpm"]
    assert fit.frame.select(same).equals(tcx.frame.select(same))
    assert fit.frame.equals(csv.frame)
    assert fit.frame["power_w"].sum() == tcx.frame["power_w"].sum() == ride.power.sum()
    assert fit.partial is None
    assert tcx.partial is None
    assert csv.partial is None


def test_the_frame_has_the_columns_and_types_that_are_promised(ride: rides.Ride) -> None:
    frame = read_recording(rides.fit_bytes(ride)).frame
    assert dict(frame.schema) == {
        "time": pl.Datetime("us", "UTC"),
        "power_w": pl.Float64,
        "cadence_rpm": pl.Float64,
        "temperature_c": pl.Float64,
        "balance_pct": pl.Float64,
    }
    assert frame["time"][0] == ride.start
    assert frame["time"].is_sorted()
    assert frame["time"].n_unique() == frame.height
    assert frame["balance_pct"].null_count() == frame.height


def test_two_more_decoders_agree_record_by_record(ride: rides.Ride) -> None:
    """Sources: fitdecode 0.11 and pyfitparsernative 0.2.3, both used directly."""
    data = rides.fit_bytes(ride)
    ours = read_recording(data).frame.select("time", "power_w", "cadence_rpm", "temperature_c")
    names = ("timestamp", "power", "cadence", "temperature")
    with fitdecode.FitReader(data, check_crc=fitdecode.CrcCheck.RAISE) as reader:
        frames = [f for f in reader if f.frame_type == fitdecode.FIT_FRAME_DATA]
    patient = [tuple(f.get_value(n) for n in names) for f in frames if f.name == "record"]
    third = [
        (datetime.fromisoformat(m["timestamp"]).replace(tzinfo=UTC), *(m[n] for n in names[1:]))
        for m in pyfitparsernative.parse_fit_bytes(data)
        if m["message_type"] == "record"
    ]
    assert ours.rows() == patient == third


def test_the_fallback_reads_what_the_fast_decoder_reads(
    ride: rides.Ride, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = rides.fit_bytes(ride, [rides.device(ride.start, battery_voltage=2.9)])
    fast = read_recording(data)
    monkeypatch.setattr(recording_fit, "_fast", lambda *given: None)
    patient = read_recording(data)
    assert patient.decoder == "fitdecode"
    assert patient.partial is None
    assert patient.frame.equals(fast.frame)
    assert patient.devices.equals(fast.devices)
    assert patient.devices.height == 1


def test_a_header_without_checksum_is_legal_and_read_fast() -> None:
    writer = _plain_fit((T, 200, 90), (T + 1, 201, 91))
    found = read_recording(writer.closed(header_crc=False))
    assert (found.decoder, found.partial) == ("fitfast", None)
    assert found.frame["power_w"].to_list() == [200, 201]
    short = read_recording(writer.closed(header_size=12))
    assert (short.decoder, short.partial) == ("fitfast", None)
    assert short.frame.equals(found.frame)


def test_marks_for_no_value_become_null() -> None:
    frame = read_recording(_plain_fit((T, 0xFFFF, 0xFF), (T + 1, 0, 0)).closed()).frame
    assert frame["power_w"].to_list() == [None, 0]
    assert frame["cadence_rpm"].to_list() == [None, 0]


def test_compressed_time_stamps_and_both_byte_orders() -> None:
    writer = _plain_fit((T, 200, 90))
    writer.define(1, 20, [(7, "uint16", 1), (4, "uint8", 1)], big_endian=True)
    for second in (1, 2, 33):
        writer.compressed(1, (T + second) % 32, 300 + second, 80)
    frame = read_recording(writer.closed()).frame
    seconds = frame["time"].to_physical() // 1_000_000 - EPOCH - T
    assert seconds.to_list() == [0, 1, 2, 33]
    assert frame["power_w"].to_list() == [200, 301, 302, 333]


def test_files_joined_end_to_end_are_read_as_one() -> None:
    first, second = _plain_fit((T, 200, 90)), _plain_fit((T + 60, 210, 91))
    found = read_recording(first.closed() + second.closed(header_crc=False))
    assert found.partial is None
    assert found.frame["power_w"].to_list() == [200, 210]


def test_balance_is_masked() -> None:
    """FIT profile, left_right_balance: bit 7 marks the right leg, the rest is the share."""
    writer = FitWriter()
    writer.define(0, 20, [(253, "uint32", 1), (30, "uint8", 1), (7, "uint16", 1)])
    for second, raw in enumerate((0x80 | 52, 48, 0xFF, 0x80 | 101)):
        writer.data(0, T + second, raw, 200)
    assert read_recording(writer.closed()).frame["balance_pct"].to_list() == [52, 48, None, None]


def test_a_developer_field_called_power_does_not_take_the_meters_place() -> None:
    """The fast decoder files developer fields under their own names, over the record's."""
    writer = FitWriter()
    writer.define(3, 207, [(3, "uint8", 1), (1, "byte", 16)])
    writer.data(3, 0, *range(16))
    described = [(0, "uint8", 1), (1, "uint8", 1), (2, "uint8", 1), (3, "string", 8)]
    writer.define(2, 206, described)
    writer.data(2, 0, 0, 0x84, b"power")
    fields = [(253, "uint32", 1), (7, "uint16", 1)]
    writer.define(0, 20, fields, developer=[(0, 0, "uint16", 1)])
    writer.data(0, T, 200, 333)
    found = read_recording(writer.closed())
    assert found.frame["power_w"].to_list() == [200]
    assert found.decoder == "fitfast"
    assert "called power like a field of the records" in found.notices[0]


@pytest.mark.parametrize(
    ("base", "value", "expected"), [("float32", 250.5, 250.5), ("uint32", 260, 260)]
)
def test_unusual_types_of_a_field_are_read_as_what_they_are(
    base: str, value: float, expected: float
) -> None:
    writer = FitWriter()
    writer.define(0, 20, [(253, "uint32", 1), (7, base, 1)])
    writer.data(0, T, value)
    assert read_recording(writer.closed()).frame["power_w"].to_list() == [expected]


def test_a_clock_without_a_date_counts_from_the_start() -> None:
    """FIT times below 0x10000000 count from switching the device on."""
    found = read_recording(_plain_fit((1000, 200, 90), (1001, 205, 90)).closed())
    assert not found.dated
    assert found.frame["time"].to_list() == [0, 1]
    assert "no date" in found.notices[0]


def test_gzip_is_unpacked_and_known_by_the_packed_bytes(ride: rides.Ride, tmp_path: Path) -> None:
    packed = gzip.compress(rides.fit_bytes(ride), mtime=0)
    (tmp_path / "ride.fit.gz").write_bytes(packed)
    found = read_recording(tmp_path / "ride.fit.gz")
    assert found.name == "ride.fit.gz"
    assert found.partial is None
    assert found.frame.equals(read_recording(rides.fit_bytes(ride)).frame)
    assert found.sha256 == read_recording(packed).sha256
    cut = read_recording(packed[:-200])
    assert cut.partial is not None
    assert "cut short" in cut.partial


def test_tcx_with_blanks_before_its_declaration_and_without_power(ride: rides.Ride) -> None:
    found = read_recording(b"\n          " + rides.tcx_bytes(ride))
    assert found.frame["power_w"].sum() == ride.power.sum()
    bare = rides.tcx_bytes(ride).replace(b"x:Watts", b"x:Else")
    assert "it holds no power" in read_recording(bare).notices


def _csv(times: list[Any], power: list[Any], header: str = "time,power_w") -> bytes:
    lines = [f"{t},{p}" for t, p in zip(times, power, strict=True)]
    return "\n".join([header, *lines]).encode()


def test_csv_with_seconds_has_no_dates(ride: rides.Ride) -> None:
    found = read_recording(rides.csv_bytes(ride, dated=False))
    assert not found.dated
    assert found.partial is None
    assert found.frame["time"].to_list() == ride.seconds.tolist()
    assert found.frame["power_w"].to_list() == ride.power.tolist()


def test_csv_in_any_dialect(ride: rides.Ride) -> None:
    plain = rides.csv_bytes(ride).decode()
    semicolons = plain.replace(",", ";").replace("\n", ",0\n").replace("_c,0", "_c")
    expected = read_recording(plain.encode()).frame
    for text in (plain.encode("utf-16"), b"\xef\xbb\xbf" + plain.encode(), semicolons.encode()):
        assert read_recording(text).frame.equals(expected)


def test_csv_times_without_an_offset_are_in_the_stores_zone() -> None:
    text = _csv(["2026-07-01T10:00:00", "2026-07-01T10:00:01"], [200, 201])
    assert read_recording(text).frame["time"][0] == datetime(2026, 7, 1, 10, tzinfo=UTC)
    local = read_recording(text, time_zone="Europe/Berlin").frame["time"][0]
    assert local == datetime(2026, 7, 1, 8, tzinfo=UTC)
    stated = _csv(["2026-07-01T10:00:00+05:00"], [200])
    at = read_recording(stated, time_zone="Europe/Berlin").frame["time"][0]
    assert at == datetime(2026, 7, 1, 5, tzinfo=UTC)


def test_csv_seconds_since_1970_are_dated() -> None:
    found = read_recording(_csv([1_772_355_600, 1_772_355_601], [200, 201]))
    assert found.frame["time"][0] == datetime(2026, 3, 1, 9, tzinfo=UTC)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (_csv(list(range(300)), [round(0.21 * i, 2) for i in range(300)]), "kilojoules, added up"),
        (_csv(list(range(60)), [0.2 + i % 5 / 100 for i in range(60)]), "kilowatts"),
        (_csv([1, 2], [0.2, 0.3], "time,power_kj"), "power_kj looks like work in kilojoules"),
        (
            _csv([1, 2], [200, 210], "time,watts"),
            "or say compare --column power_w=watts",
        ),
        (_csv([1, 2], [200, 210], "seconds,power_w"), "Rename seconds to time"),
        (_csv([0, 1000, 2000], [200, 210, 190]), "milliseconds: divide by 1000"),
        (_csv([46000 + i / 86400 for i in range(9)], [200] * 9), "multiply by 86400"),
        (_csv(["9:30", "9:31"], [200, 210]), 'found "9:30", expected ISO 8601'),
        (_csv([], []), "a header without rows"),
        (b"", "an empty file"),
        (b"\x00\x01\x02\x03" * 50, "not text"),
        (b"<?xml version='1.0'?><gpx></gpx>", "XML that is not TCX"),
        (b"PK\x03\x04 and so on", "zip archive"),
        (b"\x1f\x8b\x08 and so on", "damaged gzip"),
    ],
)
def test_what_is_no_recording_or_in_wrong_units_is_refused_in_a_sentence(
    data: bytes, words: str
) -> None:
    with pytest.raises(RecordingError) as refusal:
        read_recording(data, name="ride.csv")
    text = str(refusal.value)
    assert text.startswith("ride.csv")
    assert words in text
    assert text.endswith(".")


def test_a_stepped_test_is_no_running_total() -> None:
    steps = [100 + 50 * (i // 120) for i in range(840)]
    assert read_recording(_csv(list(range(840)), steps)).frame["power_w"].max() == 400


def test_doubtful_columns_are_left_out_and_said() -> None:
    rows = [f"{i},200,1.5,72" for i in range(60)]
    text = "\n".join(["time,power_w,cadence_rpm,temperature_c", *rows]).encode()
    found = read_recording(text)
    assert found.frame["cadence_rpm"].null_count() == 60
    assert found.frame["temperature_c"].null_count() == 60
    told = " ".join(found.notices)
    assert "revolutions a second" in told
    assert "Fahrenheit" in told


def test_unknown_columns_and_broken_cells_are_said_with_their_row() -> None:
    found = read_recording(b"time,power_w,wind\n0,200,3\n1,two hundred,3\n2,210,4\n")
    assert found.frame["power_w"].to_list() == [200, None, 210]
    told = " ".join(found.notices)
    assert "columns kept out: wind" in told
    assert '"two hundred" in row 3' in told


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"gone\.fit: cannot be opened"):
        read_recording(tmp_path / "gone.fit")


def test_tables_are_told_from_recordings(ride: rides.Ride) -> None:
    assert looks_like_recording(rides.fit_bytes(ride)[:4096])
    assert looks_like_recording(rides.tcx_bytes(ride)[:4096])
    assert looks_like_recording(rides.csv_bytes(ride)[:4096])
    assert looks_like_recording(rides.csv_bytes(ride).decode().encode("utf-16")[:4096])
    assert not looks_like_recording(b"meter_file,reference_file,meter_id,reference_id\n")


def test_columns_of_other_names_are_named_in_place() -> None:
    """A sheet of semicolons and decimal commas: nothing but the heading changes."""
    data = "Stamp;Watt;Rpm\n0;200,5;90\n1;n/a;91\n2;210;92\n".encode("utf-16")
    assert unnamed_columns(data, "r.csv") == {
        "time": ["Stamp", "Watt", "Rpm"],
        "power_w": ["Watt", "Stamp", "Rpm"],
    }
    named = with_columns_named(data, "r.csv", {"power_w": "watt", "time": "Stamp"})
    assert unnamed_columns(named, "r.csv") == {}
    read = read_recording(named, name="r.csv")
    assert read.frame["power_w"].to_list() == [200.5, None, 210.0]
    assert any('power_w: 1 cells are no numbers, the first is "n/a"' in n for n in read.notices)
    assert with_columns_named(named, "r.csv", {"time": "rpm"}) == named  # it has a time already
    assert unnamed_columns(b"\x00\xff\x00", "r.fit") == {}
