"""Drop thousands of small files into a watched folder, in bursts, while the watch is killed.

    uv run python -m tests.attacks.inbox_by_hand [--files 2000] [--kills 2] [--folder FOLDER]

Each fifth file is written in two halves with a pause between them, each tenth is a recording. The
watch is killed (SIGKILL) and begun again. At the end every session must be in the store with each
of its rows once, every recording kept once, every file in `done/`; and SIGTERM must end it with 0.
"""

from __future__ import annotations

import argparse
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from ingest.recordings import recordings_folder, stored_summaries
from ingest.store import Store

HEADING = "session_id,meter_id,measured_at,mass_kg,crank_length_mm,load,torque_nm\n"
A_BURST = 250


def session(number: int) -> str:
    at = f"2026-{1 + number % 9:02}-{1 + number % 28:02}T09:00:00Z"
    rows = [("zero", 0.1), ("mass", 33.75), ("mass", 33.8)]
    return HEADING + "".join(
        f"S{number:05},K{number % 20:02},{at},20,170,{load},{torque}\n" for load, torque in rows
    )


def ride(number: int) -> str:
    lines = ["time,power_w,cadence_rpm"]
    lines += [
        f"2026-05-{1 + number % 28:02}T{number // 28 % 24:02}:{s // 60:02}:{s % 60:02}Z,"
        f"{200 + (s * (number + 7)) % 50},90"
        for s in range(120)
    ]
    return "\n".join(lines) + "\n"


def begin(store: Path, inbox: Path, log: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "dashboard.cli", "watch", str(inbox), "--store", str(store)]
    with log.open("ab") as out:
        return subprocess.Popen(command, stdout=out, stderr=out)


def drop(inbox: Path, numbers: range) -> None:
    """Write files; the second half of each fifth one comes after all others."""
    late = []
    for number in numbers:
        name, text = (
            (f"ride-{number:05}.csv", ride(number))
            if number % 10 == 0
            else (f"bench-{number:05}.csv", session(number))
        )
        if number % 5 == 1:
            half = len(text) // 2
            (inbox / name).write_text(text[:half])
            late.append((name, text[half:]))
        else:
            (inbox / name).write_text(text)
    time.sleep(1.0)
    for name, rest in late:
        with (inbox / name).open("a") as opened:
            opened.write(rest)


def waiting(inbox: Path) -> int:
    return sum(file.suffix == ".csv" for file in inbox.iterdir())


def wait_while_fewer(inbox: Path, stuck_s: float) -> None:
    """Wait until no file is left, or until none has gone for so long."""
    left, since = waiting(inbox), time.monotonic()
    while left and time.monotonic() - since < stuck_s:
        time.sleep(0.5)
        if (now := waiting(inbox)) != left:
            left, since = now, time.monotonic()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--kills", type=int, default=2)
    parser.add_argument("--stuck-s", type=float, default=300, help="end if none goes for so long")
    parser.add_argument("--folder", type=Path)
    args = parser.parse_args()
    folder = args.folder or Path(tempfile.mkdtemp())
    inbox, store, log = folder / "inbox", folder / "team.duckdb", folder / "watch.log"
    inbox.mkdir(parents=True)
    dice, begun = random.Random(7), time.monotonic()
    bursts = [range(n, min(n + A_BURST, args.files)) for n in range(0, args.files, A_BURST)]
    kills = set(dice.sample(range(len(bursts)), min(args.kills, len(bursts))))
    watch = begin(store, inbox, log)
    for number, burst in enumerate(bursts):
        drop(inbox, burst)
        if number in kills:
            before, until = waiting(inbox), time.monotonic() + 120
            while waiting(inbox) > before - 20 and time.monotonic() < until:
                time.sleep(0.05)  # in the middle of taking in
            watch.kill()
            watch.wait()
            print(f"killed with {waiting(inbox)} files in the inbox", flush=True)
            watch = begin(store, inbox, log)
    wait_while_fewer(inbox, args.stuck_s)
    print(f"{waiting(inbox)} left after {time.monotonic() - begun:.0f} s", flush=True)
    watch.send_signal(signal.SIGTERM)
    ended = watch.wait(timeout=300)
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"the watches took {spent.ru_utime + spent.ru_stime:.0f} s of the processor", flush=True)
    return report(args.files, Store(store), inbox, ended)


def report(files: int, store: Store, inbox: Path, ended: int) -> int:
    """Print what is there and what should be; return 0 where they are the same."""
    with store.reading() as db:
        rows = Counter(db.frame("bench")["session_id"].to_list())
        aside = db.query("set_aside/rows", only_open=True).height
    rides = [n for n in range(files) if n % 10 == 0]
    sessions = {f"S{n:05}" for n in range(files) if n % 10}
    kept = stored_summaries(recordings_folder(store))
    done = [file for file in (inbox / "done").iterdir() if file.suffix == ".csv"]
    found = {
        "sessions with three rows each": (sum(rows[one] == 3 for one in sessions), len(sessions)),
        "rows of bench": (rows.total(), 3 * len(sessions)),
        "recordings": (kept.height, len({ride(n) for n in rides})),
        "files in done/": (len(done), files),
        "files in the inbox": (waiting(inbox), 0),
        "rows set aside": (aside, 0),
        "exit code after SIGTERM": (ended, 0),
    }
    for what, (is_there, expected) in found.items():
        print(f"{what}: {is_there} of {expected}")
    return int(any(is_there != expected for is_there, expected in found.values()))


if __name__ == "__main__":
    sys.exit(main())
