"""How long a large table takes to load, and what readers notice of it. Run by hand:

python -m tests.benchmarks.intake [rows] [seconds]
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

from ingest.load import load_paths
from ingest.store import Store
from tests.ingest import team

READER = """
import sys, time
from ingest.store import Store
store, until, waits, errors = Store(sys.argv[1]), time.monotonic() + float(sys.argv[2]), [], 0
while time.monotonic() < until:
    begun = time.monotonic()
    try:
        if len(waits) % 10 == 9:
            with store.writing() as db:
                db.set_setting("tolerance_pct", 1.5)
        else:
            with store.reading() as db:
                db.frame("meters")
    except Exception as error:
        print(error, file=sys.stderr)
        errors += 1
    waits.append(time.monotonic() - begun)
    time.sleep(max(0.0, 0.1 - waits[-1]))
waits.sort()
print(len(waits), errors, waits[len(waits) // 2], waits[int(len(waits) * 0.95)], waits[-1])
"""


def season(rows: int) -> list[team.Row]:
    """Bench readings, 16 a session, of 60 meters."""
    dice = random.Random(1)
    table = []
    for i in range(rows):
        session, number = divmod(i, 16)
        zero = number % 8 == 0
        at = datetime(2023, 1, 1) + timedelta(hours=7 * session)
        cells = {
            "meter_id": f"M{session % 60:02d}",
            "measured_at": at.isoformat(),
            "load": "zero" if zero else "mass",
            "mass_kg": 0 if zero else 20.0,
            "torque_nm": round(dice.gauss(0 if zero else 33.9, 0.2), 2),
        }
        table.append(team.reading(f"S{session:05d}", number + 1, **cells))
    return table


def timed_load(store: Store, path: Path) -> tuple[float, float, int]:
    """Wall seconds, processor seconds, rows loaded."""
    wall, processor = time.perf_counter(), time.process_time()
    report = load_paths(store, [path])
    return time.perf_counter() - wall, time.process_time() - processor, report.rows_loaded


def formats(folder: Path, rows: list[team.Row]) -> list[Path]:
    for name in ("csv", "semicolon"):
        (folder / name).mkdir()
    frame = pl.DataFrame(rows, infer_schema_length=None)
    files = [
        team.write_csv(folder / "csv" / "bench.csv", rows),
        team.write_csv(folder / "semicolon" / "bench.csv", rows, separator=";", comma=True),
        folder / "bench.xlsx",
        folder / "bench.parquet",
    ]
    frame.write_excel(files[2], worksheet="bench")
    frame.write_parquet(files[3])
    return files


def time_formats(folder: Path, rows: list[team.Row]) -> None:
    print(f"{'file':24} {'':6} {'wall s':>7} {'cpu s':>7} {'loaded':>7}")
    for i, file in enumerate(formats(folder, rows)):
        store = Store(folder / f"{i}.duckdb")
        for when in ("first", "again"):
            wall, processor, loaded = timed_load(store, file)
            shown = file.relative_to(folder).as_posix()
            print(f"{shown:24} {when:6} {wall:7.2f} {processor:7.2f} {loaded:7d}")


def time_neighbours(folder: Path, rows: list[team.Row], seconds: float) -> None:
    """Two processes at ten requests a second each, one in ten a write, beside loads."""
    store = Store(folder / "busy.duckdb")
    load_paths(store, [team.write_csv(folder / "meters.csv", team.METERS)])
    readers = [
        subprocess.Popen(
            [sys.executable, "-c", READER, str(store.path), str(seconds)],
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    until, loads = time.monotonic() + seconds, 0
    while time.monotonic() < until:
        part = rows[loads * 5000 % len(rows) :][:5000]
        load_paths(store, [team.write_csv(folder / f"bench-{loads}.csv", part)])
        loads += 1
    print(f"\n{loads} loads of up to 5000 rows beside:")
    print(f"{'requests':>8} {'errors':>7} {'median s':>9} {'95 % s':>7} {'longest s':>10}")
    for reader in readers:
        out, _ = reader.communicate()
        count, errors, median, high, longest = out.split()
        print(
            f"{count:>8} {errors:>7} {float(median):9.3f} {float(high):7.3f} {float(longest):10.3f}"
        )


def main() -> None:
    rows = season(int(sys.argv[1]) if len(sys.argv) > 1 else 31_000)
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 30.0
    with tempfile.TemporaryDirectory() as name:
        time_formats(Path(name), rows)
        time_neighbours(Path(name), rows, seconds)


if __name__ == "__main__":
    main()
