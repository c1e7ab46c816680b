"""What comparing two recordings costs beside decoding them.

    python -m tests.benchmarks.recordings.cost [HOURS]

Writes two FIT files of the same ride of HOURS (4), decodes and compares them with the fast
decoder and with the fallback, and prints processor times and their ratio: with the fallback the
whole is to cost at most 1.3 times the decoding alone.
"""

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np

from ingest.readers import read_recording
from ingest.readers.recordings import fit as recording_fit
from models.rides import compare_recordings
from tests.ingest.recordings import rides

ROUNDS = 4


def _pair(hours: float) -> tuple[bytes, bytes]:
    meter = rides.ride(seconds=round(3600 * hours), seed=1)
    noise = np.random.default_rng(2).normal(0, 4, len(meter.power))
    power = np.clip(meter.power / 1.02 + noise, 0, None).round().astype(np.int64)
    reference = replace(meter, start=meter.start + timedelta(seconds=7), power=power)
    return rides.fit_bytes(meter), rides.fit_bytes(reference)


def _took(what: Callable[[], object]) -> float:
    started = time.process_time()
    what()
    return time.process_time() - started


def _compared(pair: tuple[bytes, bytes]) -> tuple[str, float, float]:
    """Which decoder read them, the gain ratio (%) and the comparison's own time (s)."""
    meter, reference = (read_recording(data) for data in pair)
    started = time.process_time()
    found = compare_recordings(meter.frame, reference.frame)
    return meter.decoder, found.gain_ratio_pct or np.nan, time.process_time() - started


def main(hours: float) -> None:
    pair = _pair(hours)
    _compared(pair)  # imports and tables are not the ride's cost
    fast = recording_fit._fast
    for decoder in (fast, lambda *given: None):
        recording_fit._fast = decoder  # type: ignore[assignment]
        decoding, whole, comparing = np.inf, np.inf, np.inf
        for _ in range(ROUNDS):  # in turns, the least of each: other work on the machine only adds
            decoding = min(decoding, _took(lambda: [recording_fit.read_fit(d) for d in pair]))
            started = time.process_time()
            name, gain, once = _compared(pair)
            whole, comparing = min(whole, time.process_time() - started), min(comparing, once)
        print(
            f"{name:9} decoding alone {decoding:.2f} s, whole {whole:.2f} s "
            f"({whole / decoding:.2f} ×), of it comparing {comparing:.2f} s; gain {gain:+.2f} %"
        )
    recording_fit._fast = fast


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 4.0)
