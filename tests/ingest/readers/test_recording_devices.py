"""What recordings tell of the meters: identity, battery, firmware, zero offsets, crank length."""

import math
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from ingest.readers import read_recording
from ingest.readers.recordings.devices import crank_length_mm, devices, zeros
from ingest.recordings import device_metadata, read_folder
from ingest.recordings.device_matching import MeterIndex, plain_serial
from ingest.schema import TABLES
from tests.ingest.readers.fit_writer import FitWriter
from tests.ingest.recordings import rides

DAY = timedelta(days=1)


def _meters(*rows: dict[str, Any]) -> pl.DataFrame:
    return TABLES["meters"].conform(pl.DataFrame(list(rows)))


FLEET = _meters(
    {"meter_id": "A", "serial_number": "070123"},
    {"meter_id": "B", "serial_number": "KX-88001"},
    {"meter_id": "C", "serial_number": "555", "battery_type": "Li-ion"},
)


def _harvested(tmp_path: Path, *days: dict[str, Any] | list[dict[str, Any]]) -> pl.DataFrame:
    """Summaries of one ride a day, with the device messages given for it."""
    for number, messages in enumerate(days):
        start = rides.START + number * DAY
        many = messages if isinstance(messages, list) else [messages]
        told = [rides.device(start, **{"serial": 70_123, **message}) for message in many]
        data = rides.fit_bytes(rides.ride(seconds=90, start=start, seed=number), told)
        (tmp_path / f"{number}.fit").write_bytes(data)
    return read_folder([tmp_path], into=tmp_path / "shards")


def _events(tmp_path: Path, *days: dict[str, Any]) -> pl.DataFrame:
    readings = device_metadata.meter_readings(_harvested(tmp_path, *days), FLEET)
    return device_metadata.proposed_events(readings, FLEET)


def test_devices_of_a_file() -> None:
    at = rides.START
    messages = [
        rides.device(at, battery_voltage=2.95, battery_status="good", software_version=1.35),
        rides.device(at, serial=0xFFFFFFFF, battery_voltage=0.0, ant_device_number=4587),
        rides.device(at, device_index=4, device_type=17, serial=9001),
        {
            "message_type": "device_info",
            "timestamp": "2026-03-01T09:00:00",
            "device_index": "creator",
            "serial_number": 3_900_000_001,
        },
    ]
    recording = read_recording(rides.fit_bytes(rides.ride(seconds=30), messages))
    assert recording.power_meter_serial == "70123"
    found = recording.devices
    assert found["kind"].to_list() == ["power_meter", "power_meter", "trainer", "head_unit"]
    assert found["serial_number"].to_list() == ["70123", None, "9001", "3900000001"]
    assert found["battery_v"].to_list() == [pytest.approx(2.95, abs=1 / 256), None, None, None]
    assert found["ant_number"].to_list() == [None, 4587, None, None]
    assert found["software_version"][0] == "1.35"
    assert found["battery_status"][0] == "good"
    assert found["at"][0] == at


def test_a_calibration_event_is_a_zero_offset_reading(tmp_path: Path) -> None:
    start = rides.START
    told = [
        rides.device(start, battery_voltage=2.75),
        {"message_type": "event", "timestamp": "2026-03-01T09:00:10", "event": "calibration",
         "event_type": "marker", "data": 0xFFF6},
    ]  # fmt: skip
    (tmp_path / "a.fit").write_bytes(rides.fit_bytes(rides.ride(seconds=60), told))
    rows = device_metadata.zero_rows(read_folder([tmp_path], into=tmp_path / "s"), FLEET)
    assert rows.select("meter_id", "measured_at", "zero_raw", "zero_nm").rows() == [
        ("A", start + timedelta(seconds=10), -10, None)
    ]
    assert rows["battery_v"][0] == 2.75
    assert rows["source"][0] == "calibration event in a.fit"
    assert set(TABLES["zeros"].names) >= set(rows.columns)


def test_developer_fields_of_a_device_carry_zero_and_crank_length() -> None:
    writer = FitWriter()
    writer.define(3, 207, [(3, "uint8", 1), (1, "byte", 16)])
    writer.data(3, 0, *range(16))
    described = [(0, "uint8", 1), (1, "uint8", 1), (2, "uint8", 1), (3, "string", 13)]
    writer.define(2, 206, [*described, (8, "string", 8)])
    writer.data(2, 0, 0, 0x85, b"calibration", b"adc")
    writer.data(2, 0, 1, 0x84, b"crank_length", b"mm x 10")
    info = [(253, "uint32", 1), (3, "uint32z", 1), (1, "uint8", 1), (25, "enum", 1)]
    writer.define(1, 23, info, developer=[(0, 0, "sint32", 1), (1, 0, "uint16", 1)])
    writer.data(1, 1_100_000_000, 70_123, 11, 1, -512, 1725)
    found = read_recording(writer.closed())
    zero = found.zeros.select("serial_number", "zero_raw", "source").rows()
    assert zero == [("70123", -512, "developer field calibration")]
    assert found.crank_length_mm == 172.5


def test_crank_length_is_a_hint_only_where_it_is_the_power_meters() -> None:
    """Message 147: field 0 is the channel (device type in bits 16 to 22), field 9 the length."""
    channel = 0x50B << 16 | 49_832
    other = 0x50B << 16 | 11
    heart = 0x578 << 16 | 7
    stored = [{0: channel, 9: 125}, {0: other, 9: 120}, {0: heart, 9: 100}]
    here: dict[str, Any] = {"device_info": [{24: channel}], "unknown_147": stored}
    assert crank_length_mm(here) == 172.5
    assert crank_length_mm(here | {"device_info": [{24: channel}, {24: other}]}) is None
    assert crank_length_mm(here | {"device_info": [{24: heart}]}) is None
    assert crank_length_mm({"bike_profile": [{"crank_length": 170.0}]}) == 170.0
    assert crank_length_mm({"bike_profile": [{"crank_length": 17.0}]}) is None


def test_nonsense_in_device_messages_is_no_value() -> None:
    """What damaged files hold: lists, infinities, numbers too large for anything."""
    nonsense = [[1, 2], (3,), math.inf, -math.inf, math.nan, 2**70, -1, "", "\0", None, True, b"x"]
    keys = ("timestamp", "serial_number", "battery_voltage", "software_version", "device_type",
            "ant_device_number", "manufacturer", 24, "calibration", "crank_length")  # fmt: skip
    for value in nonsense:
        info = [{key: value} for key in keys] + [dict.fromkeys(keys, value)]
        events = [{"event": "calibration", "data": value, "timestamp": value}]
        stored = [{0: value, 9: value}]
        messages: dict[str, Any] = {
            "device_info": info, "event": events, "unknown_147": stored, "bike_profile": info,
        }  # fmt: skip
        seen = devices(messages)
        assert seen.height == len(info)
        assert seen["serial_number"].drop_nulls().is_in(["-1", str(2**70)]).all()
        assert zeros(messages, seen)["at"].null_count() == 0
        assert crank_length_mm(messages) is None


@pytest.mark.parametrize(
    ("serial", "ant_number", "owner"),
    [
        ("70123", None, "A"),  # leading zeros do not matter
        ("88001", None, "B"),  # printed with letters, broadcast without
        (None, 555, "C"),  # the table has the radio number
        ("999", 999, None),
        (None, None, None),
    ],
)
def test_a_serial_number_ties_a_device_to_its_meter(
    serial: str | None, ant_number: int | None, owner: str | None
) -> None:
    found = MeterIndex.of(FLEET).meter_of(serial, ant_number, date(2026, 3, 1))
    assert (found[0] if found else None) == owner


def test_a_serial_number_that_names_two_meters_names_none_unless_one_was_in_use() -> None:
    twice = _meters(
        {"meter_id": "old", "serial_number": "70123", "retired_date": date(2025, 12, 31)},
        {"meter_id": "new", "serial_number": "70123", "in_service_date": date(2026, 1, 1)},
    )
    owners = MeterIndex.of(twice)
    assert owners.meter_of("70123", None, date(2025, 6, 1)) == ("old", "serial number 70123")
    assert owners.meter_of("70123", None, date(2026, 6, 1)) == ("new", "serial number 70123")
    assert owners.meter_of("70123", None, None) is None
    assert plain_serial(" 00-ab 12") == "AB12"


def test_readings_follow_the_serial_number_when_the_place_changes(tmp_path: Path) -> None:
    found = _harvested(
        tmp_path,
        [{"device_index": 3, "battery_voltage": 2.9}, {"device_index": 5, "battery_voltage": 2.8}],
        {"device_index": 7, "battery_voltage": 0.0, "battery_status": "ok"},
        {"serial": 4711, "battery_voltage": 2.6},
    )
    readings = device_metadata.meter_readings(found, FLEET)
    assert readings["meter_id"].unique().to_list() == ["A"]
    volts = [pytest.approx(2.9, abs=0.01), pytest.approx(2.8, abs=0.01), None]
    assert readings["battery_v"].to_list() == volts


def test_a_battery_from_low_to_fresh_proposes_a_swap(tmp_path: Path) -> None:
    events = _events(
        tmp_path,
        {"battery_voltage": 2.65, "battery_status": "ok"},
        {"battery_voltage": 2.5, "battery_status": "low"},
        {"battery_voltage": 3.05, "battery_status": "new"},
        {"battery_voltage": 3.0, "battery_status": "good"},
    )
    assert events.select("meter_id", "date", "event", "state").rows() == [
        ("A", date(2026, 3, 3), "battery_swap", "proposed")
    ]
    assert "2.50 V, low on 2026-03-02, 3.05 V, new on 2026-03-03" in events["note"][0]
    assert set(TABLES["events"].names) >= set(events.columns)


@pytest.mark.parametrize(
    "days",
    [
        [{"battery_voltage": 2.7}, {"battery_voltage": 2.9}],  # warmer, not fresh
        [{"battery_voltage": 3.0}, {"battery_voltage": 2.5}],  # running down
        [{"battery_status": "low"}, {"battery_status": "new"}, {"battery_status": "low"}],  # a slip
        [{"battery_voltage": 2.5}, {"battery_voltage": 3.0}, {"battery_voltage": 2.5}],
        [{"battery_voltage": 0.0}, {"battery_voltage": 3.0}],  # 0.0 V: not reported
        [{"battery_voltage": 3.5}, {"battery_voltage": 4.2}],  # charged
        [{"battery_voltage": 2.5, "serial": 555}, {"battery_voltage": 3.0, "serial": 555}],
    ],
)
def test_what_is_no_swap_proposes_none(tmp_path: Path, days: list[dict[str, Any]]) -> None:
    assert _events(tmp_path, *days).is_empty()


def test_a_swap_that_is_known_or_was_rejected_is_not_proposed_again(tmp_path: Path) -> None:
    found = _harvested(tmp_path, {"battery_voltage": 2.5}, {"battery_voltage": 3.0})
    readings = device_metadata.meter_readings(found, FLEET)
    assert device_metadata.proposed_events(readings, FLEET).height == 1
    told = pl.DataFrame(
        {"meter_id": ["A"], "date": [date(2026, 3, 1)], "event": ["battery_swap"],
         "state": ["rejected"]}
    )  # fmt: skip
    assert device_metadata.proposed_events(readings, FLEET, told).is_empty()
    earlier = told.with_columns(pl.lit(date(2026, 2, 1)).alias("date"))
    assert device_metadata.proposed_events(readings, FLEET, earlier).height == 1


def test_a_new_software_version_proposes_an_update(tmp_path: Path) -> None:
    versions = (1.2, 1.2, 1.3, 1.3)
    events = _events(tmp_path, *({"software_version": version} for version in versions))
    assert events.select("event", "date").rows() == [("firmware_update", date(2026, 3, 3))]
    assert "software 1.20 on 2026-03-02, 1.30 on 2026-03-03" in events["note"][0]


def test_versions_that_go_to_and_fro_are_two_head_units_not_updates(tmp_path: Path) -> None:
    versions = (1.2, 1.3, 1.2, 1.3, 1.2)
    assert _events(tmp_path, *({"software_version": version} for version in versions)).is_empty()


def test_device_times_are_instants() -> None:
    found = read_recording(rides.fit_bytes(rides.ride(seconds=9), [rides.device(rides.START)]))
    assert found.devices["at"][0] == datetime(2026, 3, 1, 9, tzinfo=UTC)
