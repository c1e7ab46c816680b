"""How the dashboard holds up: requests beside a load and a refit, and how soon pages are painted.

    python -m tests.benchmarks.dashboard_load build FILE [--meters 300]
    python -m tests.benchmarks.dashboard_load requests FILE [--seconds 60] [--rate 20] [--alone]
    python -m tests.benchmarks.dashboard_load paint FILE [--paths / /meter/… ]

Run by hand. `build` simulates, loads and fits a fleet. `requests` serves a copy of the store in a
process of its own and sends it callbacks over HTTP at a steady rate, a tenth of them writes (a
proposed event confirmed), while a file is loaded and the models are refitted; then it counts the
writes in the store, and tells how much memory the server had, minute by minute; with `--alone` no
file is loaded beside, with `--quiet` nothing is written or refitted either. `paint` opens each page
in a real browser: cold (the server has just been started, nothing is in the browser's cache) and
warm, until its heading is painted and until its tables and charts are.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import random
import resource
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.request import urlopen

from ingest.load import load_paths
from ingest.store import Store
from tests.dashboard.people import Caller
from tests.simulate.contract_tables import write_contract_tables
from tests.simulate.fleet_options import FleetOptions
from tests.simulate.fleets import simulate_fleet

WRITES = 0.10


def build(target: Path, *, meters: int, years: float, comparisons: float) -> None:
    """A fitted store of a simulated fleet."""
    from models import run

    fleet = simulate_fleet(
        FleetOptions(n_meters=meters, years=years, comparison_rate=comparisons, n_trainers=6), 5
    )
    with tempfile.TemporaryDirectory() as folder:
        write_contract_tables(fleet, Path(folder))
        load_paths(Store(target), [folder])
    print(run.refit(run.Fleet(Store(target), say=print)))


@contextmanager
def served(store: Path) -> Any:
    """The dashboard as the command serves it; gives its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "dashboard.cli", "serve", "--store", str(store)]
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    with subprocess.Popen(
        [*command, "--port", str(port)], stderr=subprocess.PIPE, text=True, env=kept
    ) as server:
        assert server.stderr is not None
        print(server.stderr.readline().strip())
        drained = threading.Thread(target=server.stderr.read, daemon=True)
        drained.start()  # a server whose messages nobody reads stops once the pipe is full
        try:
            yield f"http://127.0.0.1:{port}", server.pid
        finally:
            server.terminate()
            server.wait()


def meters_of(store: Path) -> list[str]:
    with Store(store).reading() as db:
        return list(db.frame("meters")["meter_id"])


# ---- requests ------------------------------------------------------------------------------


def with_events(store: Path, count: int, folder: Path) -> list[int]:
    """Add proposed events to confirm; their rows."""
    meters = meters_of(store)
    rows = [
        (meters[n % len(meters)], date(2020, 1, 1) + timedelta(days=n // len(meters) + 1))
        for n in range(count)
    ]
    file = folder / "events-proposed.csv"
    with file.open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["meter_id", "date", "event", "state"])
        writer.writerows([meter, day.isoformat(), "other", "proposed"] for meter, day in rows)
    load_paths(Store(store), [file])
    with Store(store).reading() as db:
        events = db.versions("events")
    return events.filter((events["state"] == "proposed") & events["live"])["row_id"].to_list()


class Visitor:
    """Sends the dashboard's callbacks and keeps how long each took."""

    def __init__(self, address: str, meters: list[str], events: list[int]) -> None:
        self.address, self.meters, self.events = address, meters, events
        self.took: dict[str, list[float]] = defaultdict(list)
        self.errors: list[str] = []
        self.lock = threading.Lock()
        self.confirmation = Caller(address).confirmation(0)

    def send(self, dice: random.Random, at: float) -> None:
        """One request, at its time."""
        time.sleep(max(0.0, at - time.monotonic()))
        if dice.random() < WRITES and self.events:
            return self._timed("write", self._confirm)
        kind = dice.choices(("fleet", "meter", "session", "intake", "frame"), (3, 3, 1, 1, 1))[0]
        meter = dice.choice(self.meters)
        asks = {
            "fleet": lambda caller: caller.page("/"),
            "meter": lambda caller: caller.page(f"/meter/{meter}"),
            "session": lambda caller: caller.call(
                ["meter-session.children"],
                {"meter-sessions.selectedRows": []},
                changed="meter-sessions.selectedRows",
                state={"place.pathname": f"/meter/{meter}"},
            ),
            "intake": lambda caller: caller.page("/intake"),
            "frame": lambda caller: caller.ask("/_dash-layout")[:2],
        }
        return self._timed(kind, asks[kind])

    def _confirm(self, caller: Caller) -> tuple[int, str]:
        with self.lock:
            event = self.events.pop()
        path, request = self.confirmation
        of_it = request.replace(b'"event": 0', b'"event": %d' % event)
        of_it = of_it.replace(b'event\\":0', b'event\\":%d' % event)
        status, text, _ = caller.ask(path, of_it)
        return status, text if "was confirmed" in text else f"not confirmed: {text[:300]}"

    def _timed(self, kind: str, ask: Any) -> None:
        begun = time.monotonic()
        try:
            status, text = ask(Caller(self.address))
        except OSError as problem:
            status, text = 0, str(problem)
        with self.lock:
            self.took[kind].append(time.monotonic() - begun)
            signs = ("cannot be drawn just now", "That did not work;", "not confirmed:")
            bad = any(sign in text for sign in signs)
            if status not in (200, 204) or bad:
                self.errors.append(f"{kind}: {status} {text[:200]}")


class Memory(threading.Thread):
    """Looks every few seconds how much memory the server and the processes beside it have."""

    def __init__(self, server: int) -> None:
        super().__init__(daemon=True)
        self.server, self.ended = server, threading.Event()
        self.looks: list[tuple[float, float, float]] = []

    def run(self) -> None:
        begun = time.monotonic()
        while not self.ended.wait(5):
            own = resident_mb(self.server)
            beside = sum(map(resident_mb, children(self.server)))
            self.looks.append((time.monotonic() - begun, own, beside))

    def tell(self) -> None:
        """A line a minute: the largest and the last of it."""
        for minute in range(int(self.looks[-1][0] // 60) + 1 if self.looks else 0):
            own, beside = zip(*[x[1:] for x in self.looks if x[0] // 60 == minute], strict=True)
            print(
                f"minute {minute + 1}: pages {max(own):.0f} MB, {own[-1]:.0f} at its end; "
                f"beside {max(beside):.0f}, {beside[-1]:.0f}"
            )


def cpu_s(process: int) -> float:
    """Processor time that a process has used."""
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mb(process: int) -> float:
    """What a process holds in memory; 0 once it has ended."""
    try:
        pages = Path(f"/proc/{process}/statm").read_text().split()[1]
    except OSError:
        return 0.0
    return int(pages) * resource.getpagesize() / 1e6


def children(process: int) -> list[int]:
    """The processes that a process has begun."""
    tasks = Path(f"/proc/{process}/task").glob("*/children")
    return [int(child) for task in tasks for child in task.read_text().split()]


def requests(
    store: Path, *, seconds: float, rate: float, quiet: bool = False, alone: bool = False
) -> None:
    """Callbacks at a steady rate, beside a load and a refit if not alone; what they took."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        copy = Path(shutil.copy(store, folder / "load.duckdb"))
        count = int(seconds * rate)
        events = with_events(copy, count // 5, folder)
        waiting = len(events)
        with served(copy) as (address, server):
            memory = Memory(server)
            visitor = Visitor(address, meters_of(copy), events)
            for path in ("/", f"/meter/{visitor.meters[0]}"):
                Caller(address).page(path)
            dice = [random.Random(n) for n in range(count)]
            begin = time.monotonic() + 0.5
            late = threading.Timer(seconds / 6, bring_in, (address, visitor.meters))
            if quiet:
                visitor.events = []
            elif not alone:
                late.start()
            memory.start()
            with ThreadPoolExecutor(64) as pool:
                for n in range(count):
                    pool.submit(visitor.send, dice[n], begin + n / rate)
            if late.is_alive():
                late.join()
            memory.ended.set()
            pages = cpu_s(server)
        print_times(visitor)
        memory.tell()
        print(f"the pages' process used {pages:.0f} s of CPU; load average {os.getloadavg()}")
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        print(f"the server and its refits used {used.ru_utime + used.ru_stime:.0f} s of CPU")
        sent = 0 if quiet else waiting - len(visitor.events)
        with Store(copy).reading() as db:
            left = int((db.frame("events")["state"] == "proposed").sum())
            recorded = int((db.frame("changes")["what"] == "event confirmed").sum())
        print(f"writes sent {sent}, in the store {waiting - left}, recorded {recorded}")
        print(f"errors {len(visitor.errors)}", *visitor.errors[:5], sep="\n  ")


def bring_in(address: str, meters: list[str]) -> None:
    """A file of 20,000 rows through the intake page: a load, and the refit that follows."""
    import base64

    lines = ["meter_id,measured_at,zero_nm,temperature_c"]
    for n in range(20_000):
        at = datetime(2023, 6, 1) + timedelta(minutes=7 * n)
        lines.append(f"{meters[n % len(meters)]},{at.isoformat()}Z,0.0{n % 10},{n % 30}")
    content = base64.b64encode("\n".join(lines).encode()).decode()
    caller = Caller(address)
    known = json.loads(caller.ask("/_dash-dependencies")[1])
    output = next(c["output"] for c in known if "intake-upload.contents" in c["output"])
    names = output.strip(".").split("...")
    request = {
        "output": output,
        "outputs": [dict(zip(("id", "property"), n.rsplit(".", 1), strict=True)) for n in names],
        "inputs": [
            {
                "id": "intake-upload",
                "property": "contents",
                "value": [f"data:text/csv;base64,{content}"],
            }
        ],
        "state": [{"id": "intake-upload", "property": "filename", "value": ["zeros-more.csv"]}],
        "changedPropIds": ["intake-upload.contents"],
    }
    status, text, _ = caller.ask("/_dash-update-component", json.dumps(request).encode())
    print(f"a file of 20,000 rows was sent: {status}, {len(text)} characters back")


def print_times(visitor: Visitor) -> None:
    """A line a kind of request."""
    print(f"{'':10}{'n':>6}{'p50 ms':>9}{'p95 ms':>9}{'max ms':>9}")
    every = [t for kind, took in visitor.took.items() for t in took if kind != "write"]
    for kind, took in [*sorted(visitor.took.items()), ("all reads", every)]:
        cuts = statistics.quantiles(took, n=20) if len(took) > 1 else took * 19
        shown = (statistics.median(took), cuts[18], max(took))
        print(f"{kind:10}{len(took):6d}" + "".join(f"{1000 * t:9.0f}" for t in shown))


# ---- first paint ---------------------------------------------------------------------------


def paint(store: Path, paths: list[str]) -> None:
    """Seconds until each page's heading is painted, cold and warm, and until it is all there."""
    from playwright.sync_api import sync_playwright

    from tests.browser import ARGUMENTS, BROWSERS

    chromium = next(path for path in map(shutil.which, BROWSERS) if path)
    print(f"{'':28}{'cold s':>8}{'warm s':>8}{'filled, warm':>14}")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        for path in paths:
            with served(store) as (address, _):
                urlopen(f"{address}/assets/glyphs/mark.svg").read()
                context = browser.new_context(viewport={"width": 1440, "height": 900})
                context.add_init_script(WATCH)
                cold, *_ = first_paint(context, address + path)
                warm = [first_paint(context, address + path) for _ in range(5)]
                context.close()
            painted, filled, _ = (statistics.median(times) for times in zip(*warm, strict=True))
            print(f"{path:28}{cold:8.2f}{painted:8.2f}{filled:14.2f}")
        browser.close()


# Notes when the heading, and the last table's cell or chart that came in, were first on the screen.
WATCH = """
(() => {
  const seen = (window.seenAt = { heading: null, filled: null });
  const painted = (note) => requestAnimationFrame(() => requestAnimationFrame(note));
  const parts = "#page .ag-row .ag-cell, #page .js-plotly-plot .main-svg";
  let known = 0;
  new MutationObserver(() => {
    if (seen.heading === null && document.querySelector("#page h1")) {
      seen.heading = 0;
      painted(() => (seen.heading = seen.filled = performance.now()));
    }
    const now = document.querySelectorAll(parts).length;
    if (now > known) {
      known = now;
      painted(() => (seen.filled = performance.now()));
    }
  }).observe(document, { childList: true, subtree: true });
})();
"""


def first_paint(context: Any, address: str, also: str = "0") -> tuple[float, float, float]:
    """Seconds from the request until the heading is painted, and until nothing more comes in.

    also: a further number to ask the page for at last
    """
    page = context.new_page()
    page.set_default_timeout(120_000)
    page.goto(address, wait_until="commit")
    page.wait_for_selector("#page h1")
    page.wait_for_load_state("networkidle")
    page.wait_for_timeout(1500)
    seen, further = page.evaluate("window.seenAt"), page.evaluate(also)
    page.close()
    return seen["heading"] / 1000, seen["filled"] / 1000, further


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("what", choices=("build", "requests", "paint"))
    parser.add_argument("store", type=Path)
    parser.add_argument("--meters", type=int, default=300)
    parser.add_argument("--years", type=float, default=2.0)
    parser.add_argument("--comparisons", type=float, default=8.0, help="per meter and year")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--rate", type=float, default=20.0)
    parser.add_argument("--quiet", action="store_true")
    parser.add_argument("--alone", action="store_true")
    parser.add_argument("--paths", nargs="*")
    args = parser.parse_args()
    if args.what == "build":
        build(args.store, meters=args.meters, years=args.years, comparisons=args.comparisons)
    elif args.what == "requests":
        ways = {"quiet": args.quiet, "alone": args.alone}
        requests(args.store, seconds=args.seconds, rate=args.rate, **ways)
    else:
        from dashboard.navigation import find_pages

        known = [page.path.replace("<meter_id>", meters_of(args.store)[0]) for page in find_pages()]
        paint(args.store, args.paths or [path for path in known if "<" not in path])


if __name__ == "__main__":
    main()
