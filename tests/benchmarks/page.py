"""Write README.md here: what the engine costs, as ratios to baselines measured in the same run.

    python -m tests.benchmarks.page [METERS …]

Without numbers: fleets of 30 to 3,000 meters (some minutes on a quiet machine); 30,000 take a
quarter of an hour more. Each size is measured in a process of its own, on one thread, and kept in
page.json beside the page, which is written anew from all that is kept. The baselines: statsmodels'
MixedLM, a random start and drift a meter, on as many meters; a plain polars scan of the same
comparisons.
"""

from __future__ import annotations

import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import textwrap
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl

from models.fleet import FleetData, FleetFit, fit
from tests.benchmarks.fleet.speed import FRAMES, lines, ours, theirs
from tests.simulate.fleets import SCENARIOS, Fleet, simulate_fleet

SIZES = (30, 100, 300, 1000, 3000)
REFERENCES = 10
PAGE = Path(__file__).parent / "README.md"
KEPT = PAGE.with_name("page.json")
ONE = "one size:"
WORKERS, MANY = 64, 30_000
MAP_SHARE = 0.89  # of the time, measured by tests.benchmarks.fleet.cluster
LINE = 125e6  # bytes a second: 1 Gbit/s


@dataclass
class Row:
    """CPU seconds of one size, of parts of its fit too, and the highest memory in GiB.

    shared: effects that meters share, in one dense system
    """

    meters: int
    observations: int
    mixed: float
    plain: float
    whole: float
    scan: float
    load: float
    iterations: int
    gib: float
    shared: int = 0


def cpu(job: Callable[[], object], least: float = 0.2) -> float:
    """CPU seconds of a job: the least of runs that take `least` together, three at most."""
    taken: list[float] = []
    while len(taken) < 3 and sum(taken) < least:
        start = time.process_time()
        job()
        taken.append(time.process_time() - start)
    return min(taken)


def fleet_of(meters: int) -> Fleet:
    """A fleet in which everything goes wrong."""
    options = replace(
        SCENARIOS["awkward"],
        n_meters=meters,
        n_trainers=REFERENCES,
        comparison_rate=6.5,
        bench_rate=2.0,
        strikes=meters // 15,
        wrong_entries=meters // 20,
    )
    return simulate_fleet(options, 1)


def measured(meters: int) -> Row:
    """Measure one size."""
    plain, columns = lines(meters)
    fleet = fleet_of(meters)
    data = FleetData(**{name: fleet.frames[name] for name in FRAMES})
    found: list[FleetFit] = []
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "comparisons.csv"
        data.comparisons.write_csv(file)
        scan = cpu(lambda: pl.scan_csv(file).select(pl.all().count()).collect())
    seconds = (
        cpu(lambda: theirs(columns)),
        cpu(lambda: ours(plain)),
        cpu(lambda: found.append(fit(data, today=fleet.today))),
        scan,
        cpu(lambda: data.completed()),
    )
    observations = data.bench.height + data.comparisons.height
    gib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    shared = found[-1].posterior.state.design.n_shared
    return Row(meters, observations, *seconds, found[-1].n_iter, gib, shared)


def exponent(meters: list[int], values: list[float]) -> str:
    """How a figure grows: the slope of its logarithm on that of the meters."""
    if len(meters) < 2:
        return "–"
    return f"{np.polyfit(np.log(meters), np.log(np.maximum(values, 1e-9)), 1)[0]:.2f}"


def table(rows: list[Row]) -> str:
    """The page's table: a row a size, then the exponents."""
    heads = (
        *("meters", "observations", "same model, share of MixedLM's time"),
        *("whole fit, times MixedLM", "iterations", "ms an observation"),
        *("frames taken over, times a polars scan", "peak GiB"),
    )
    head = f"| {' | '.join(heads)} |\n|{' --- |' * len(heads)}"
    body = [
        f"| {r.meters:,} | {r.observations:,} | {r.plain / r.mixed:.2f} | "
        f"{r.whole / r.mixed:.1f} | {r.iterations} | {1000 * r.whole / r.observations:.2f} | "
        f"{r.load / r.scan:.1f} | {r.gib:.2f} |"
        for r in rows
    ]
    sizes = [r.meters for r in rows]
    plain, whole, load, gib = (
        exponent(sizes, [getattr(r, name) for r in rows])
        for name in ("plain", "whole", "load", "gib")
    )
    last = f"| grows with the power | | {plain} | {whole} | | | {load} | {gib} |"
    return "\n".join([head, *body, last])


SEVERAL = """With 300 meters on a busy machine 86 % of the time went by in the map step on one
worker, 89 % on two, 90 % on four, and with 100 meters 91 % on eight; the fit was the same to
1e-13. With n shared effects an iteration moves 42·n² bytes a worker (n = 436: 7.9 MB)."""
RECORDINGS = f"""Of recordings the disk binds first: at 60 a second and processor {WORKERS}
workers read a million in {1e6 / 60 / WORKERS / 60:.0f} minutes, if the disk that all see gives
them about a gigabyte a second. A worker killed in the middle of a load or of a hindcast costs its
batch: the rows were the same, the forecasts to 2e-16."""
LARGE = """`python -m tests.benchmarks.end_to_end FOLDER 30000 riders`: 30,000 meters, 10,500 of
them one-sided, 14,988 riders, 491,830 readings and 514,530 steps of comparisons, on a busy
machine. Loaded in 25 s of CPU and 1.7 GiB; sessions evaluated (about two minutes) and models
fitted in 280 s and 2.9 GiB; `status` in 6.3 s and 1.1 GiB. The fleet page: 27.6 MB; first 4 s of
the server's CPU, its heading painted after 13 s and filled after 14 s; asked again 0.4 s, 1.9 s
and 3.1 s; the browser's longest task takes 0.6 s. What a rider's legs show on one meter alone is
a part of that meter's block: as shared effects, some 10,600 in all, they had taken 7.5 GiB in the
first iterations of the fit, which was stopped then."""


def filled(*texts: str) -> str:
    """Texts as one paragraph of lines that are not too long."""
    return textwrap.fill(" ".join(" ".join(texts).split()), 100, break_on_hyphens=False)


def on_paper(rows: list[Row]) -> str:
    """What 64 workers would take for 30,000 meters, from what was measured of the largest fleet."""
    big = rows[-1]
    power = float(
        np.polyfit(np.log([r.meters for r in rows]), np.log([r.whole for r in rows]), 1)[0]
    )
    whole = big.whole * (MANY / big.meters) ** max(power, 1.0)
    moved = 42 * big.shared**2 * WORKERS
    takes = {
        "the map step": MAP_SHARE * whole / WORKERS,
        "what the client does by itself": (1 - MAP_SHARE) * whole,
        "the client's line": big.iterations * moved / LINE,
    }
    first = max(takes, key=lambda name: takes[name])
    told = ", ".join(f"{name} {seconds:.0f} s" for name, seconds in takes.items())
    return (
        f"So, on paper, {WORKERS} workers for {MANY:,} meters, whose fit takes {whole:.0f} s of "
        f"one of these processors ({big.iterations} iterations, {big.shared} shared effects, "
        f"{moved / 1e9:.1f} GB in each, 1 Gbit/s): {told}. **Of these {first} binds first.** With "
        "more shared effects (references, mass sets, meters that are lent) the line takes their "
        "square: sums over pairs of workers would be the next step."
    )


def page(rows: list[Row]) -> str:
    """The whole page."""
    machine = (
        f"{platform.machine()}, {os.cpu_count()} processors, Python {platform.python_version()}"
    )
    mixed = exponent([r.meters for r in rows], [r.mixed for r in rows])
    return f"""# What the engine costs

Written by `python -m tests.benchmarks.page`: CPU time, as ratios within one run on one thread, so
that they hold elsewhere ({machine}).

{table(rows)}

*Same model*: random start and drift of each meter by REML, twelve sessions a meter, by both.
*Whole fit*: wander, battery steps, {REFERENCES} references, mass sets, strikes, wrong entries and
alarms; MixedLM does none of that, it is the yardstick, and grows itself with the power {mixed}. A
whole fit begins with what is the same for every size: the references' walks are one dense matrix.

## On several machines

`python -m tests.benchmarks.fleet.cluster` fits on local workers, one of them killed on the way.
{filled(SEVERAL, on_paper(rows), RECORDINGS)}

## A large fleet on one machine

{filled(LARGE)}

`tests/models/fleet/test_growth.py` fails where calls or memory grow with a power above 1.2 of the
meters. Each other program here says in its first lines what it answers and how it is run.
"""


def kept() -> dict[int, Row]:
    """The rows of sizes measured so far."""
    rows = json.loads(KEPT.read_text("utf-8")) if KEPT.exists() else []
    return {row["meters"]: Row(**row) for row in rows}


def apart(meters: int) -> Row:
    """Measure one size in a process of its own."""
    environment = os.environ | dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")
    command = [sys.executable, "-m", "tests.benchmarks.page", ONE, str(meters)]
    done = subprocess.run(command, env=environment, check=True, stdout=subprocess.PIPE)
    return Row(**json.loads(done.stdout))


def main(sizes: list[str]) -> None:
    """Measure, print and write."""
    import statsmodels.regression.mixed_linear_model  # noqa: F401 (its import is not timed)

    if sizes[:1] == [ONE]:
        print(json.dumps(asdict(measured(int(sizes[1])))))
        return
    rows = kept()
    for n in map(int, sizes or SIZES):
        rows[n] = apart(n)
        print(rows[n], flush=True)
        sorted_rows = [rows[n] for n in sorted(rows)]
        KEPT.write_text(json.dumps([asdict(r) for r in sorted_rows], indent=1) + "\n", "utf-8")
        PAGE.write_text(page(sorted_rows), "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
