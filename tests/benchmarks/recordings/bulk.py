"""How many recordings of an hour are decoded and stored in a second.

    python -m tests.benchmarks.recordings.bulk [FILES]

Writes FILES (1,000) different FIT files of 3,600 records into a temporary folder, reads them
with `read_folder` and the pool of local processes, then once more (everything known), and
prints files a second, wall clock and processor time.
"""

import os
import resource
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

from ingest.recordings import read_folder
from tests.ingest.recordings import rides


def _write(folder: Path, files: int) -> int:
    written = 0
    for number in range(files):
        start = rides.START + timedelta(hours=2 * number)
        data = rides.fit_bytes(rides.ride(seconds=3600, seed=number, start=start))
        (folder / f"{number:05d}.fit").write_bytes(data)
        written += len(data)
    return written


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main(files: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        written = _write(folder, files)
        print(f"{files} files of an hour, {written / 1e6:.0f} MB, {os.cpu_count()} cores")
        own, children, wall = time.process_time(), _children_s(), time.perf_counter()
        into = folder / "shards"
        summary = read_folder([folder], into=into)
        took = time.perf_counter() - wall
        cpu = time.process_time() - own + _children_s() - children
        kept = sum(shard.stat().st_size for shard in into.iterdir())
        print(
            f"first:  {took:6.1f} s, {files / took:5.0f} files/s; processors {cpu:.1f} s, "
            f"{1000 * cpu / files:.1f} ms a file; {kept / 1e6:.0f} MB of Parquet"
        )
        print(summary["status"].value_counts().rows(), summary["decoder"].value_counts().rows())
        wall = time.perf_counter()
        read_folder([folder], into=into)
        print(f"again:  {time.perf_counter() - wall:6.1f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
