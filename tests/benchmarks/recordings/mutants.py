"""Damaged FIT files by the thousand: none may raise, hang or go unmarked.

    python -m tests.benchmarks.recordings.mutants [FILES [SEED [FIT_FILE]]]

Damages a ride (or FIT_FILE) in FILES (2,000) ways and prints, for each kind of damage: how many
were read whole by the format's own rules, marked partial, or refused in a sentence; how many of
the records that came back are as they were in the undamaged file; the longest processor time.
Ends with an error code if anything raised or went unmarked that the format can tell.
"""

import sys
import time
from collections import Counter
from pathlib import Path

import polars as pl

from ingest.readers import Recording, RecordingError, read_recording
from ingest.readers.recordings.fit_walk import walk
from tests.ingest.readers.fit_mutations import KINDS, Mutant, mutants
from tests.ingest.recordings import rides


def _whole() -> bytes:
    ride = rides.ride(seconds=600)
    told = {"battery_voltage": 3.1, "battery_status": "ok", "software_version": 1.2}
    return rides.fit_bytes(ride, [rides.device(ride.start, **told)])


def _fate(mutant: Mutant, whole: bytes) -> tuple[str, Recording | None]:
    if mutant.data == whole:
        return "untouched", None
    try:
        found = read_recording(mutant.data, name="ride.fit")
    except RecordingError:
        return "refused", None
    except BaseException as error:
        print(f"RAISED {type(error).__name__}: {error}")
        return "raised", None
    if found.partial:
        return "partial", found
    return ("unmarked" if walk(mutant.data).faults else "whole"), found


def _as_they_were(found: Recording, intact: pl.DataFrame) -> tuple[int, int]:
    """Records that came back as they were, and other ones."""
    if not found.dated:
        return 0, found.frame.height
    same = found.frame.join(intact, on=found.frame.columns, how="semi", nulls_equal=True).height
    return same, found.frame.height - same


def main(files: int, seed: int, source: Path | None) -> int:
    whole = source.read_bytes() if source else _whole()
    intact = read_recording(whole).frame
    fates = {kind: Counter[str]() for kind in KINDS}
    slowest = 0.0
    for mutant in mutants(whole, files, seed=seed):
        started = time.process_time()
        fate, found = _fate(mutant, whole)
        slowest = max(slowest, time.process_time() - started)
        fates[mutant.kind][fate] += 1
        if found is not None:
            same, other = _as_they_were(found, intact)
            fates[mutant.kind].update({"same": same, "other": other, found.decoder: 1})
    print(f"{files} files of {len(whole)} bytes, {intact.height} records, seed {seed}")
    columns = ("partial", "whole", "refused", "untouched", "unmarked", "raised")
    print(f"{'damage':14}" + "".join(f"{name:>10}" for name in columns) + "  records back / other")
    for kind, fate in fates.items():
        read = max(1, fate["partial"] + fate["whole"])
        counts = "".join(f"{fate[name]:10}" for name in columns)
        print(f"{kind:14}{counts}  {fate['same'] / read:8.1f} / {fate['other'] / read:.2f}")
    total = sum(fates.values(), Counter[str]())
    print(
        f"fitfast {total['fitfast']}, fitdecode {total['fitdecode']}; "
        f"slowest {1000 * slowest:.0f} ms of processor time"
    )
    return int(total["raised"] + total["unmarked"] > 0)


if __name__ == "__main__":
    given = sys.argv[1:]
    raise SystemExit(
        main(
            int(given[0]) if given else 2000,
            int(given[1]) if len(given) > 1 else 1,
            Path(given[2]) if len(given) > 2 else None,
        )
    )
