"""Damaged rides by the thousand: none may move the mean power by more than 1 % without a word.

    python -m tests.attacks.rides_by_hand [FILES [SEED]]

Draws rides, indoors and outdoors, of 5 to 40 minutes, writes each as CSV or FIT, damages FILES
(2,000) of them, and compares the mean power of what is read with that of the same instants in the
undamaged ride. Prints for each damage how many were refused, marked or changed, and the files that
moved by more than 1 % unmarked; then how many of as many good files are marked. Ends with an error
code where there is either.
"""

import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from ingest.readers import Recording, RecordingError, read_recording
from tests.attacks.damaged_rides import KINDS, damaged, drawn_ride
from tests.ingest.recordings import rides

LIMIT = 0.01


@dataclass(frozen=True)
class Fate:
    """What became of a damaged file. moved: of the mean power, as a share; None: not read."""

    form: str
    kind: str
    marked: bool
    moved: float | None
    told: str


def marked(found: Recording, good: Recording) -> bool:
    """Return whether something is said of a recording that is not said of the good one."""
    return bool(found.partial) or bool(set(found.notices) - set(good.notices))


def moved(found: pl.DataFrame, good: pl.DataFrame) -> float | None:
    """Return how far the mean power is from that of the same instants in the good recording.

    Instants that the good one does not have count against its whole mean. None: no power is left.
    """
    if found["power_w"].null_count() == found.height:
        return None
    if found.schema["time"] != good.schema["time"]:
        return float(abs(found["power_w"].mean() / good["power_w"].mean() - 1))  # type: ignore[operator]
    truth = good.select("time", true_w="power_w")
    both = found.filter(pl.col("power_w").is_not_null()).join(truth, on="time", how="left")
    true_w = both["true_w"].fill_null(good["power_w"].mean())
    return abs(float(both["power_w"].sum()) / max(1.0, float(true_w.sum())) - 1)


def fates(files: int, seed: int) -> Iterator[Fate]:
    """Yield what becomes of damaged files, CSV and FIT in turn, every kind equally often."""
    rng = np.random.default_rng(seed)
    for number in range(files):
        form, kind = ("csv", "fit")[number % 2], KINDS[number // 2 % len(KINDS)]
        if number % 20 < 2:
            ride = drawn_ride(rng)
            whole = {"csv": rides.csv_bytes(ride), "fit": rides.fit_bytes(ride)}
            good = {name: read_recording(data, name="ride") for name, data in whole.items()}
        yield _fate(form, kind, damaged(whole[form], form, kind, rng), good[form])


def _fate(form: str, kind: str, data: bytes, good: Recording) -> Fate:
    try:
        found = read_recording(data, name="ride")
    except RecordingError as refusal:
        return Fate(form, kind, True, None, str(refusal))
    told = "; ".join([found.partial or "", *found.notices])
    return Fate(form, kind, marked(found, good), moved(found.frame, good.frame), told)


def main(files: int, seed: int) -> int:
    """Print the table; return 1 where a damage stays unsaid or a good file is marked."""
    counts: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    unsaid = []
    for fate in fates(files, seed):
        counts[fate.kind][_told(fate)] += 1
        if _told(fate) == "UNSAID":
            unsaid.append(fate)
    columns = ("refused", "said, moved", "said, not moved", "not said, not moved", "UNSAID")
    print(
        f"{files} damaged files, seed {seed}\n{'damage':14}" + "".join(f"{c:>20}" for c in columns)
    )
    for kind, count in counts.items():
        print(f"{kind:14}" + "".join(f"{count[c]:20}" for c in columns))
    for fate in unsaid:
        print(f"UNSAID {fate.form} {fate.kind}: mean moved by {100 * (fate.moved or 0):.2f} %")
    rng = np.random.default_rng(seed + 1)
    good = [said for _ in range(files // 2) for said in marks_of_good_files(drawn_ride(rng))]
    print(f"{files // 2 * 2} good files: {len(good)} marked", *good[:5], sep="\n")
    return int(bool(unsaid or good))


def marks_of_good_files(ride: rides.Ride) -> list[str]:
    """Return what is said of a good ride's files: nothing is right."""
    read = [read_recording(write(ride)) for write in (rides.csv_bytes, rides.fit_bytes)]
    return [said for one in read for said in (one.partial, *one.notices) if said]


def _told(fate: Fate) -> str:
    if fate.moved is None:
        return "refused"
    far = fate.moved > LIMIT
    if fate.marked:
        return "said, moved" if far else "said, not moved"
    return "UNSAID" if far else "not said, not moved"


if __name__ == "__main__":
    given = [int(argument) for argument in sys.argv[1:]]
    sys.exit(main(*(*given, *(2000, 1)[len(given) :])))
