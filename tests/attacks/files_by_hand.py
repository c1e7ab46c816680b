"""What hostile files cost: seconds and memory of each, and what is said.

    python -m tests.attacks.files_by_hand [NAME …]

Each file is taken in by a process that the system keeps to 4 GB and 60 s; it stands for the server.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.attacks.hostile_files import ATTACKS

LONGEST_S = 60
MEMORY = 4 << 30
TAKE_IN = """
import sys, time
from pathlib import Path
from ingest.load import load_uploads, recordings_among
from ingest.matching import are_own
from ingest.recordings import read_folder
from ingest.store import Store

if __name__ == "__main__":
    file = Path(sys.argv[1])
    given = [(file.name, file.read_bytes())]
    own, others = are_own(given)
    if recordings_among(given):
        rows = read_folder([file], into=file.parent / "read")
        read = f"read {rows['samples'][0]} samples; {rows['partial'][0]}"
        print((rows["error"][0] or read)[:150])
    elif own:
        print("a sheet of their own")
    else:
        found = load_uploads(Store(file.parent / "a.duckdb"), others, dry_run=True)
        print([str(p.sentence())[:150] for p in found.set_aside][:1], len(found.set_aside))
"""


def _bounded() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def tried(name: str) -> str:
    """Take one file in; return a line of the table."""
    with TemporaryDirectory() as folder:
        called, data = ATTACKS[name]()
        file = Path(folder) / called
        file.write_bytes(data)
        begun, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
        try:
            done = subprocess.run(
                [sys.executable, "-c", TAKE_IN, str(file)],
                capture_output=True,
                text=True,
                timeout=LONGEST_S,
                preexec_fn=_bounded,
                check=False,
            )
            said = done.stdout.strip() or (done.stderr.strip().splitlines() or [""])[-1][:110]
            outcome = f"exit {done.returncode}: {said}"
        except subprocess.TimeoutExpired:
            outcome = "did not end"
        seconds = time.monotonic() - begun
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
        most = f"{peak / 1024:.0f} MB" if peak > before else "less"
    return f"{name} | {len(data) / 1000:.0f} kB | {seconds:.1f} s | {most} | {outcome}"


if __name__ == "__main__":
    for given in sys.argv[1:] or list(ATTACKS):
        print(tried(given), flush=True)
