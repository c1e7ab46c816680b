"""Rides to damage, and the damage: bytes turned, lost, put in, doubled, zeroed, cut off.

The rides sprint, coast, stop and start, since damage is looked for among what riders do.
"""

import re

import numpy as np

from tests.ingest.readers.fit_writer import with_fresh_checksums
from tests.ingest.recordings.rides import START, Ride
from tests.simulate.rides import outdoor_ride, step_ride

KINDS = (
    *("turn one bit", "turn 8 bits", "turn 40 bits", "cut", "put in", "take out", "take a block"),
    *("double a block", "zero a block", "a digit for another", "a digit more", "a digit less"),
    "a digit of the watts",
)
HZ = 4  # of the simulator


def drawn_ride(rng: np.random.Generator) -> Ride:
    """Return a ride of 5 to 40 minutes, at one record a second."""
    seconds = int(rng.choice([300, 600, 1200, 2400], p=[0.4, 0.3, 0.2, 0.1]))
    power, cadence = (outdoor_ride, step_ride)[int(rng.integers(2))](rng, seconds)
    noise = np.exp(rng.normal(0, rng.uniform(0.005, 0.06), seconds))
    watts = (np.clip(power[::HZ], 0, None) * noise).round().astype(np.int64)
    turning = np.clip(cadence[::HZ], 0, None).round().astype(np.int64)
    start = float(rng.uniform(5, 30))
    warmth = (start + np.arange(seconds) / 600).round().astype(np.int64)
    return Ride(START, np.arange(seconds), watts, turning, warmth)


def damaged(whole: bytes, form: str, kind: str, rng: np.random.Generator) -> bytes:
    """Return a file with one damage; in half of the FIT files the checksums are right again."""
    data = bytearray(whole)
    _damage(data, kind, rng)
    if form == "fit" and kind != "cut" and rng.random() < 0.5 and len(data) > 20:
        return with_fresh_checksums(bytes(data))
    return bytes(data)


def _damage(data: bytearray, kind: str, rng: np.random.Generator) -> None:
    at = int(rng.integers(len(data)))
    block = int(rng.choice([16, 64, 512, 4096]))
    if kind.startswith("turn"):
        for _ in range({"one": 1, "8": 8}.get(kind.split()[1], 40)):
            data[int(rng.integers(len(data)))] ^= 1 << int(rng.integers(8))
    elif kind == "cut":
        del data[max(1, at) :]
    elif kind == "put in":
        data[at:at] = rng.bytes(int(rng.integers(1, 12)))
    elif kind == "take out":
        del data[at : at + int(rng.integers(1, 12))]
    elif kind == "take a block":
        del data[at : at + block]
    elif kind == "double a block":
        data[at:at] = data[at : at + block]
    elif kind == "zero a block":
        end = min(len(data), at + block)
        data[at:end] = bytes(end - at)
    else:
        _digits(data, kind, rng)


def _digits(data: bytearray, kind: str, rng: np.random.Generator) -> None:
    """Change single digits, as a hand in an editor does; of a binary file any bytes."""
    places = [n for n, byte in enumerate(data) if 0x30 <= byte <= 0x39]
    if kind.endswith("watts"):
        places = (
            places
            if data[8:12] == b".FIT"
            else [at for cell in re.finditer(rb",(\d+),\d+,", data) for at in range(*cell.span(1))]
        )
        kind = str(rng.choice([kind for kind in KINDS if kind.startswith("a digit")][:3]))
    for at in sorted(rng.choice(places, min(5, len(places)), replace=False), reverse=True):
        digit = bytes([int(rng.integers(0x30, 0x3A))])
        data[at : at + 1] = {"a digit for another": digit, "a digit less": b""}.get(
            kind, bytes([data[at]]) + digit
        )
