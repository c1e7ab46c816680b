"""Device metadata in recordings: batteries, firmware and zero offsets of the fleet's meters.

Zero offsets become rows of `zeros`; battery swaps and firmware updates become *proposed* events,
for a person to confirm.
"""

from collections.abc import Iterator
from datetime import date, datetime
from itertools import pairwise
from typing import NamedTuple, TypedDict, cast

import polars as pl

from ingest.readers import Device
from ingest.recordings.device_matching import MeterIndex
from ingest.recordings.summaries import Summary, summary_rows
from ingest.schema import EVENTS, TABLES, frame_schema


class Reading(TypedDict):
    """What one meter reported of itself in one recording.

    matched_by  why the device is taken for this meter
    path        of the recording
    """

    meter_id: str
    at: datetime
    battery_v: float | None
    battery_status: str | None
    software_version: str | None
    manufacturer: str | None
    product: str | None
    matched_by: str
    path: str
    sha256: str


READING_SCHEMA = frame_schema(Reading)
LOW, FRESH = ("low", "critical"), ("new", "good")
RISE_PCT = 12.0
"""A rise of the voltage that warming up does not explain (common practice, not a standard)."""
RECHARGEABLE_V = (3.65, 4.5)
"""The range of rechargeable cells: these are charged, not swapped, so nothing is proposed."""


def meter_readings(recordings: pl.DataFrame, meters: pl.DataFrame) -> pl.DataFrame:
    """Return what the fleet's meters reported of themselves (READING_SCHEMA), by meter and time.

    In   summaries of recordings (SUMMARY_SCHEMA) and the meters table. Devices are identified by
         their serial number, never by their place in the file, which changes within a ride.
    """
    index, rows = MeterIndex.of(meters), list[dict[str, object]]()
    for one, device in _power_meters(recordings):
        at = device["at"] or one["started_at"]
        found = index.meter_of(
            device["serial_number"], device["ant_number"], at.date() if at else None
        )
        if found is not None and at is not None:
            own = {name: value for name, value in device.items() if name in READING_SCHEMA}
            origin = {"path": one["path"], "sha256": one["sha256"], "matched_by": found[1]}
            rows.append(own | origin | {"meter_id": found[0], "at": at})
    return pl.DataFrame(rows, schema=READING_SCHEMA, orient="row").sort("meter_id", "at")


def _power_meters(recordings: pl.DataFrame) -> Iterator[tuple[Summary, Device]]:
    for one in summary_rows(recordings):
        for device in one["devices"] or ():
            if device["kind"] == "power_meter":
                yield one, device


def zero_rows(recordings: pl.DataFrame, meters: pl.DataFrame) -> pl.DataFrame:
    """Return the zero-offset readings of the fleet's meters as rows of the `zeros` table.

    zero_nm and temperature_c stay null: the file has counts, and its temperature is the head
    unit's. battery_v is the meter's last reading in the same file up to then.
    """
    index, readings = MeterIndex.of(meters), meter_readings(recordings, meters)
    batteries = readings.drop_nulls("battery_v")
    rows = []
    for one in summary_rows(recordings):
        for zero in one["zeros"] or ():
            found = index.meter_of(zero["serial_number"], zero["ant_number"], zero["at"].date())
            if found is None:
                continue
            known = batteries.filter(
                (pl.col("meter_id") == found[0])
                & (pl.col("sha256") == one["sha256"])
                & (pl.col("at") <= zero["at"])
            )
            rows.append(
                {
                    "meter_id": found[0],
                    "measured_at": zero["at"],
                    "zero_raw": zero["zero_raw"],
                    "battery_v": known["battery_v"][-1] if known.height else None,
                    "source": f"{zero['source']} in {one['name']}",
                }
            )
    frame = pl.DataFrame(rows, schema=TABLES["zeros"].polars_schema, orient="row")
    return frame.unique(["meter_id", "measured_at", "zero_raw"], keep="first").sort(
        "meter_id", "measured_at"
    )


def proposed_events(
    readings: pl.DataFrame, meters: pl.DataFrame, events: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Return the battery swaps and firmware updates that readings suggest, as rows of `events`.

    In   readings of `meter_readings`; the meters table (battery_type); the recorded events
    Out  state `proposed`, dated the first day that shows the change. A change with an event of
         any state, rejected ones too, in the days in which it happened is not proposed.
    """
    charged = _rechargeable(meters)
    rows = []
    for (meter_id,), own in readings.group_by("meter_id", maintain_order=True):
        recorded = _recorded(events, str(meter_id))
        mine = cast(list[Reading], own.to_dicts())
        swaps = _battery_swaps(mine, from_voltage=meter_id not in charged)
        for change in [*swaps, *_firmware_updates(mine)]:
            if not any(event == change.event and change.covers(day) for event, day in recorded):
                row = {"meter_id": meter_id, "date": change.last, "event": change.event}
                rows.append(row | {"note": change.note, "state": "proposed"})
    return pl.DataFrame(rows, schema=EVENTS.polars_schema, orient="row")


class Change(NamedTuple):
    """An event between two readings: after the `first` day, by the `last`."""

    event: str
    first: date
    last: date
    note: str

    def covers(self, day: date) -> bool:
        """Return whether a day is one of those in which it happened."""
        return self.first <= day <= self.last


def _rechargeable(meters: pl.DataFrame) -> set[str]:
    if "battery_type" not in meters.columns:
        return set()
    kind = pl.col("battery_type").str.to_lowercase()
    return set(meters.filter(kind.str.contains("recharg|li-?ion|li-?po|usb"))["meter_id"])


def _recorded(events: pl.DataFrame | None, meter_id: str) -> list[tuple[str, date]]:
    if events is None:
        return []
    own = events.filter(pl.col("meter_id") == meter_id)
    return list(zip(own["event"], own["date"], strict=True))


def _battery_swaps(own: list[Reading], *, from_voltage: bool) -> list[Change]:
    """Return where one meter's battery jumps from low to fresh, by its status or its voltage."""
    rows = [row for row in own if row["battery_v"] is not None or row["battery_status"] is not None]
    changes = []
    for index, (before, after) in enumerate(pairwise(rows), start=2):
        if _jumps(before, after, from_voltage) and _stays(after, rows[index:], from_voltage):
            note = (
                f"battery {_words(before)} on {before['at']:%Y-%m-%d}, "
                f"{_words(after)} on {after['at']:%Y-%m-%d} ({after['path']})"
            )
            changes.append(_change("battery_swap", before, after, note))
    return changes


def _change(event: str, before: Reading, after: Reading, note: str) -> Change:
    return Change(event, before["at"].date(), after["at"].date(), note)


def _jumps(before: Reading, row: Reading, from_voltage: bool) -> bool:
    if before["battery_status"] in LOW and row["battery_status"] in FRESH:
        return True
    if not from_voltage or before["battery_v"] is None or row["battery_v"] is None:
        return False
    if RECHARGEABLE_V[0] <= row["battery_v"] <= RECHARGEABLE_V[1]:
        return False
    rise = 100 * (row["battery_v"] / before["battery_v"] - 1)
    return rise >= RISE_PCT and row["battery_status"] not in LOW


def _stays(row: Reading, later: list[Reading], from_voltage: bool) -> bool:
    """Return whether the next reading confirms the jump; without one it is taken as it is."""
    if not later:
        return True
    after = later[0]
    if after["battery_status"] in LOW and row["battery_status"] in FRESH:
        return False
    if not from_voltage or row["battery_v"] is None or after["battery_v"] is None:
        return True
    return after["battery_v"] > row["battery_v"] * (1 - RISE_PCT / 200)


def _words(row: Reading) -> str:
    parts = [f"{row['battery_v']:.2f} V" if row["battery_v"] is not None else None]
    parts.append(row["battery_status"])
    return ", ".join(part for part in parts if part)


def _firmware_updates(own: list[Reading]) -> list[Change]:
    """Return where one meter's software version changes and stays at the next reading."""
    rows = [row for row in own if row["software_version"] is not None]
    versions = [row["software_version"] for row in rows]
    changes = []
    for index, (before, after) in enumerate(pairwise(rows), start=1):
        old, new = versions[index - 1], versions[index]
        to_and_fro = versions[index + 1 : index + 2] == [old] or versions[: index - 1][-1:] == [new]
        if old != new and not to_and_fro:
            note = f"software {old} on {before['at']:%Y-%m-%d}, {new} on {after['at']:%Y-%m-%d}"
            changes.append(_change("firmware_update", before, after, f"{note} ({after['path']})"))
    return changes
