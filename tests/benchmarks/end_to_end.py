"""A large fleet end to end on one machine: load, fit, status, and the fleet page in a browser.

    python -m tests.benchmarks.end_to_end FOLDER [METERS [riders]]

Run by hand, in an empty folder; 30,000 meters without a number, with about half a million readings
and as many steps of comparisons. Prints, of each command, seconds of CPU and on the clock, and peak
memory; of the page, how soon it is painted, what was sent, and how long the browser was busy.
What is there already (tables, a store, a fit) is not made again.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.simulate.contract_tables import contract_frames
from tests.simulate.fleets import SCENARIOS, simulate_fleet

MOST_ROWS = 250_000  # of a file
YEARS, BENCH_RATE, COMPARISON_RATE = 2.0, 1.0, 1.0


def write_tables(folder: Path, meters: int, *, riders: bool) -> None:
    """A fleet in which everything goes wrong, as files to hand in; riders: say who rode."""
    options = replace(
        SCENARIOS["awkward"],
        n_meters=meters,
        n_trainers=10,
        years=YEARS,
        bench_rate=BENCH_RATE,
        comparison_rate=COMPARISON_RATE,
        strikes=meters // 15,
        wrong_entries=meters // 40,
    )
    frames = contract_frames(simulate_fleet(options, 1))
    if not riders:
        frames["comparisons"] = frames["comparisons"].drop("rider_id")
    folder.mkdir(parents=True)
    for name, frame in frames.items():
        print(f"  {name}: {frame.height:,} rows", flush=True)
        for k, part in enumerate(frame.iter_slices(MOST_ROWS)):
            part.write_csv(folder / f"{name}-{k}.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")


def run(*command: str) -> None:
    """One command: its last line, and what it took with all that it began."""
    begun = time.monotonic()
    line = [sys.executable, "-m", "dashboard.cli", *command]
    with subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.STDOUT) as started:
        assert started.stdout is not None
        said = started.stdout.read().decode()
        _, code, used = os.wait4(started.pid, 0)
        started.returncode = os.waitstatus_to_exitcode(code)
    told = said.strip().splitlines() or [""]
    print(f"{command[0]}: {len(said.encode()) / 1e6:.2f} MB said, the last: {told[-1][:120]}")
    print(
        f"  ended with {started.returncode}, {used.ru_utime + used.ru_stime:.1f} s of CPU, "
        f"{time.monotonic() - begun:.1f} s, {used.ru_maxrss / 2**20:.2f} GiB",
        flush=True,
    )


def page(store: Path, path: str = "/") -> None:
    """The fleet page in a browser, twice: of a server just begun, and again."""
    from playwright.sync_api import sync_playwright

    from tests.benchmarks.dashboard_load import WATCH, cpu_s, first_paint, served
    from tests.browser import ARGUMENTS, BROWSERS

    chromium = next(found for found in map(shutil.which, BROWSERS) if found)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        begun = time.monotonic()
        with served(store) as (address, server):
            print(f"server: begun after {time.monotonic() - begun:.1f} s", flush=True)
            context = browser.new_context(viewport={"width": 1440, "height": 900})
            context.add_init_script(WATCH + BUSY)
            for what in ("first", "again"):
                sent = count_bytes(context)
                before = cpu_s(server)
                heading, filled, busy = first_paint(context, address + path, also="window.busy")
                print(
                    f"page {path}, {what}: heading after {heading:.2f} s, filled after "
                    f"{filled:.2f} s, {sum(sent) / 1e6:.2f} MB, {cpu_s(server) - before:.1f} s of "
                    f"the server's CPU; the browser's longest task {busy / 1000:.2f} s",
                    flush=True,
                )
        browser.close()


# Notes the longest stretch in which the page could not answer.
BUSY = """
window.busy = 0;
new PerformanceObserver((list) => {
  for (const task of list.getEntries()) window.busy = Math.max(window.busy, task.duration);
}).observe({ type: "longtask", buffered: true });
"""


def count_bytes(context: Any) -> list[int]:
    """What the next pages are sent, in bytes of each answer's content."""
    sent: list[int] = []

    def note(answer: Any) -> None:
        sent.append(int(answer.headers.get("content-length", 0)))

    context.on("response", note)
    return sent


def main(folder: str, meters: str = "30000", riders: str = "") -> None:
    """Make what is not there, and measure."""
    home = Path(folder)
    tables, store = home / "tables", home / "fleet.duckdb"
    if not tables.exists():
        write_tables(tables, int(meters), riders=riders == "riders")
    if not store.exists():
        run("load", str(tables), "--no-fit", "--store", str(store))
        run("fit", "--store", str(store))
    run("status", "--store", str(store))
    page(store)


if __name__ == "__main__":
    main(*sys.argv[1:])
