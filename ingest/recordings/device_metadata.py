"""What recordings tell about the fleet beside power: batteries, firmware, zero offsets.

Everything here is for the store's tables; events are *proposed*, for a person to confirm.
"""

from collections.abc import Iterator
from datetime import date
from itertools import pairwise
from typing import Any

import polars as pl

from ingest.recordings.device_matching import Owners

_INSTANT = pl.Datetime("us", "UTC")
READING_SCHEMA: dict[str, Any] = {
    "meter_id": pl.String,
    "at": _INSTANT,
    "battery_v": pl.Float64,
    "battery_status": pl.String,
    "software_version": pl.String,
    "manufacturer": pl.String,
    "product": pl.String,
    "matched_by": pl.String,
    "path": pl.String,
    "sha256": pl.String,
}
ZERO_ROW_SCHEMA: dict[str, Any] = {
    "meter_id": pl.String,
    "measured_at": _INSTANT,
    "zero_nm": pl.Float64,
    "zero_raw": pl.Float64,
    "temperature_c": pl.Float64,
    "battery_v": pl.Float64,
    "source": pl.String,
}
EVENT_ROW_SCHEMA: dict[str, Any] = {
    "meter_id": pl.String,
    "reference_id": pl.String,
    "bench_id": pl.String,
    "date": pl.Date,
    "event": pl.String,
    "side": pl.String,
    "size_pct": pl.Float64,
    "cost": pl.Float64,
    "note": pl.String,
    "state": pl.String,
}
LOW, FRESH = ("low", "critical"), ("new", "good")
RISE_PCT = 12.0
"""A voltage that rises by this much did not just warm up (common practice, not a standard)."""
RECHARGEABLE_V = (3.65, 4.5)
"""A cell that reads so is charged, not swapped: nothing is proposed from its voltage."""


def meter_readings(recordings: pl.DataFrame, meters: pl.DataFrame) -> pl.DataFrame:
    """What the meters of the fleet said of themselves (READING_SCHEMA), in order of time.

    In   summaries of recordings (SUMMARY_SCHEMA) and the meters table. Devices are known by
         their serial number, never by their place in the file, which changes within a ride.
    """
    owners, rows = Owners.of(meters), []
    for one, device in _power_meters(recordings):
        at = device["at"] or one["started_at"]
        owner = owners.meter_of(
            device["serial_number"], device["ant_number"], at.date() if at else None
        )
        if owner is not None and at is not None:
            own = {name: device[name] for name in READING_SCHEMA if name in device}
            origin = {"path": one["path"], "sha256": one["sha256"]}
            rows.append(own | origin | {"meter_id": owner[0], "at": at, "matched_by": owner[1]})
    return pl.DataFrame(rows, schema=READING_SCHEMA, orient="row").sort("meter_id", "at")


def _power_meters(recordings: pl.DataFrame) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    for one in recordings.iter_rows(named=True):
        for device in one["devices"] or ():
            if device["kind"] == "power_meter":
                yield one, device


def zero_rows(recordings: pl.DataFrame, meters: pl.DataFrame) -> pl.DataFrame:
    """The zero-offset readings of the fleet's meters, as rows of the `zeros` table.

    zero_nm and temperature_c stay null: the file has counts, and its temperature is the head
    unit's. battery_v is the meter's last reading in the same file up to then.
    """
    owners, readings = Owners.of(meters), meter_readings(recordings, meters)
    batteries = readings.drop_nulls("battery_v")
    rows = []
    for one in recordings.iter_rows(named=True):
        for zero in one["zeros"] or ():
            owner = owners.meter_of(zero["serial_number"], zero["ant_number"], zero["at"].date())
            if owner is None:
                continue
            known = batteries.filter(
                (pl.col("meter_id") == owner[0])
                & (pl.col("sha256") == one["sha256"])
                & (pl.col("at") <= zero["at"])
            )
            battery = known["battery_v"][-1] if known.height else None
            source = f"{zero['source']} in {one['name']}"
            rows.append((owner[0], zero["at"], None, zero["zero_raw"], None, battery, source))
    frame = pl.DataFrame(rows, schema=ZERO_ROW_SCHEMA, orient="row")
    return frame.unique(["meter_id", "measured_at", "zero_raw"], keep="first").sort(
        "meter_id", "measured_at"
    )


def proposed_events(
    readings: pl.DataFrame, meters: pl.DataFrame, events: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Battery swaps and firmware updates that the readings suggest, as rows of `events`.

    In   readings of `meter_readings`; the meters table (battery_type); the events there are
    Out  EVENT_ROW_SCHEMA, state `proposed`, dated the first day that shows the change. A change
         that an event of any state already tells of, the rejected ones too, is not proposed.
    """
    charged = _rechargeable(meters)
    rows = []
    for (meter_id,), own in readings.group_by("meter_id", maintain_order=True):
        told = _told(events, str(meter_id))
        swaps = _battery_swaps(own, from_voltage=meter_id not in charged)
        for event, before, after, note in [*swaps, *_firmware_updates(own)]:
            if not any(kind == event and before <= day <= after for kind, day in told):
                row = {"meter_id": meter_id, "date": after, "event": event, "note": note}
                rows.append(row | {"state": "proposed"})
    return pl.DataFrame(rows, schema=EVENT_ROW_SCHEMA, orient="row")


Change = tuple[str, date, date, str]


def _rechargeable(meters: pl.DataFrame) -> set[str]:
    if "battery_type" not in meters.columns:
        return set()
    kind = pl.col("battery_type").str.to_lowercase()
    return set(meters.filter(kind.str.contains("recharg|li-?ion|li-?po|usb"))["meter_id"])


def _told(events: pl.DataFrame | None, meter_id: str) -> list[tuple[str, date]]:
    if events is None:
        return []
    own = events.filter(pl.col("meter_id") == meter_id)
    return list(zip(own["event"], own["date"], strict=True))


def _battery_swaps(own: pl.DataFrame, *, from_voltage: bool) -> list[Change]:
    """Where one meter's battery jumps from low to fresh, by its status or by its voltage."""
    known = own.filter(pl.col("battery_v").is_not_null() | pl.col("battery_status").is_not_null())
    rows = list(known.iter_rows(named=True))
    changes = []
    for index, (before, after) in enumerate(pairwise(rows), start=2):
        if _jumps(before, after, from_voltage) and _stays(after, rows[index:], from_voltage):
            note = (
                f"battery {_words(before)} on {before['at']:%Y-%m-%d}, "
                f"{_words(after)} on {after['at']:%Y-%m-%d} ({after['path']})"
            )
            days = before["at"].date(), after["at"].date()
            changes.append(("battery_swap", *days, note))
    return changes


def _jumps(before: dict[str, Any], row: dict[str, Any], from_voltage: bool) -> bool:
    if before["battery_status"] in LOW and row["battery_status"] in FRESH:
        return True
    if not from_voltage or before["battery_v"] is None or row["battery_v"] is None:
        return False
    if RECHARGEABLE_V[0] <= row["battery_v"] <= RECHARGEABLE_V[1]:
        return False
    rise = 100 * (row["battery_v"] / before["battery_v"] - 1)
    return bool(rise >= RISE_PCT and row["battery_status"] not in LOW)


def _stays(row: dict[str, Any], later: list[dict[str, Any]], from_voltage: bool) -> bool:
    """Whether the next reading bears it out; the last reading has to be believed."""
    if not later:
        return True
    after = later[0]
    if after["battery_status"] in LOW and row["battery_status"] in FRESH:
        return False
    if not from_voltage or row["battery_v"] is None or after["battery_v"] is None:
        return True
    return bool(after["battery_v"] > row["battery_v"] * (1 - RISE_PCT / 200))


def _words(row: dict[str, Any]) -> str:
    parts = [f"{row['battery_v']:.2f} V" if row["battery_v"] is not None else None]
    parts.append(row["battery_status"])
    return ", ".join(part for part in parts if part)


def _firmware_updates(own: pl.DataFrame) -> list[Change]:
    """Where one meter's software version changes and does not go back at the next reading."""
    rows = list(own.drop_nulls("software_version").iter_rows(named=True))
    versions = [row["software_version"] for row in rows]
    changes = []
    for index, (before, after) in enumerate(pairwise(rows), start=1):
        old, new = versions[index - 1], versions[index]
        to_and_fro = versions[index + 1 : index + 2] == [old] or versions[: index - 1][-1:] == [new]
        if old != new and not to_and_fro:
            note = f"software {old} on {before['at']:%Y-%m-%d}, {new} on {after['at']:%Y-%m-%d}"
            days = before["at"].date(), after["at"].date()
            changes.append(("firmware_update", *days, f"{note} ({after['path']})"))
    return changes
