"""Invented rides for the tests of recordings, and the files that a head unit would write of them.

FIT files are written by an independent encoder (pyfitparsernative), TCX by hand.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyfitparsernative
from numpy.typing import NDArray

START = datetime(2026, 3, 1, 9, 0, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Ride:
    """Whole seconds from `start`, power in W, cadence in rpm, temperature in °C."""

    start: datetime
    seconds: NDArray[np.int64]
    power: NDArray[np.int64]
    cadence: NDArray[np.int64]
    temperature: NDArray[np.int64]

    def at(self, index: int) -> datetime:
        return self.start + timedelta(seconds=int(self.seconds[index]))


def ride(*, seconds: int = 600, seed: int = 1, start: datetime = START) -> Ride:
    """A ride with steps of effort, noise, coasting and a temperature that rises."""
    rng = np.random.default_rng(seed)
    t = np.arange(seconds)
    effort = 180 + 60 * rng.integers(-1, 3, seconds // 60 + 1)[t // 60]
    power = np.clip(effort + rng.normal(0, 12, seconds), 0, None).round().astype(np.int64)
    cadence = np.clip(88 + rng.normal(0, 3, seconds), 0, None).round().astype(np.int64)
    coasting = rng.random(seconds) < 0.02
    power[coasting] = cadence[coasting] = 0
    return Ride(start, t, power, cadence, (18 + t // 600).astype(np.int64))


def device(at: datetime, serial: int = 70_123, **values: Any) -> dict[str, Any]:
    """A message about the power meter of the bike."""
    return {
        "message_type": "device_info",
        "timestamp": _fit_time(at),
        "device_index": 3,
        "device_type": 11,
        "source_type": "antplus",
        "manufacturer": "development",
        "serial_number": serial,
        **values,
    }


def fit_bytes(of: Ride, messages: Iterable[dict[str, Any]] = ()) -> bytes:
    """The ride as a FIT file, `messages` about devices before its records."""
    identity = {"message_type": "file_id", "type": "activity", "manufacturer": "development"}
    head = {**identity, "time_created": _fit_time(of.start)}
    records = [
        {
            "message_type": "record",
            "timestamp": _fit_time(of.at(i)),
            "power": int(of.power[i]),
            "cadence": int(of.cadence[i]),
            "temperature": int(of.temperature[i]),
            "heart_rate": 140,
            "distance": 10.0 * i,
            "altitude": 100.0,
            "position_lat": 500_000_000,
            "position_long": 100_000_000,
        }
        for i in range(len(of.seconds))
    ]
    return bytes(pyfitparsernative.write_fit_bytes([head, *messages, *records]))


def _fit_time(at: datetime) -> str:
    return at.astimezone(UTC).replace(tzinfo=None).isoformat()


def tcx_bytes(of: Ride) -> bytes:
    """The ride as a TCX file."""
    points = "".join(
        f"<Trackpoint><Time>{of.at(i):%Y-%m-%dT%H:%M:%S.000Z}</Time>"
        f"<HeartRateBpm><Value>140</Value></HeartRateBpm><Cadence>{of.cadence[i]}</Cadence>"
        f"<Extensions><x:TPX><x:Speed>10.0</x:Speed><x:Watts>{of.power[i]}</x:Watts></x:TPX>"
        "</Extensions></Trackpoint>\n"
        for i in range(len(of.seconds))
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        "<TrainingCenterDatabase"
        ' xmlns="http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2"'
        ' xmlns:x="http://www.garmin.com/xmlschemas/ActivityExtension/v2">'
        f'<Activities><Activity Sport="Biking"><Id>{of.start:%Y-%m-%dT%H:%M:%SZ}</Id>'
        f'<Lap StartTime="{of.start:%Y-%m-%dT%H:%M:%SZ}"><Track>{points}</Track></Lap>'
        "</Activity></Activities></TrainingCenterDatabase>\n"
    ).encode()


def csv_bytes(of: Ride, *, dated: bool = True) -> bytes:
    """The ride as a CSV recording, its time as ISO 8601 or as seconds."""
    times = [of.at(i).isoformat() if dated else str(of.seconds[i]) for i in range(len(of.seconds))]
    columns = zip(times, of.power, of.cadence, of.temperature, strict=True)
    lines = [f"{time},{watts},{rpm},{warm}" for time, watts, rpm, warm in columns]
    return "\n".join(["time,power_w,cadence_rpm,temperature_c", *lines, ""]).encode()


def kept_samples(into: Path, sha256: str) -> pl.DataFrame:
    """Return the samples of a recording from the shards in a folder, as it was decoded."""
    shards = pl.concat(pl.read_parquet(file) for file in into.glob("recordings-*.parquet"))
    row = shards.filter(pl.col("sha256") == sha256)
    times = row["samples_instant"][0]
    times = row["samples_second"][0] if times is None else times
    names = ("power_w", "cadence_rpm", "temperature_c", "balance_pct")
    columns = [times.alias("time"), *(row[f"samples_{name}"][0].alias(name) for name in names)]
    return pl.DataFrame(columns)
