"""The commands on simulated fleets: tables in, `load`, `status`, and how near the truth it is.

    python -m tests.benchmarks.command_accuracy [--fleets N] [--first SEED] [SCENARIO …]

The same fleets as in `fleet_accuracy`, but as a team would hand them in: readings, slopes and
steady steps in CSV files. What this adds to the model's own error is the bench evaluation and
the comparison of steps. Run by hand; one process.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from tests.models.fleet.simulated import drawn
from tests.simulate.alarm_score import Alarm, day_number, tally
from tests.simulate.contract_tables import write_contract_tables
from tests.simulate.fleets import SCENARIOS, Fleet
from tests.simulate.oracle import EVERYTHING, exact_estimates, score

COMMAND = (sys.executable, "-c", "from dashboard.cli import main; raise SystemExit(main())")


def slopewatch(folder: Path, *words: str) -> dict[str, Any]:
    """Run a command on the folder's store and read its JSON; exit codes above 1 raise."""
    environment = os.environ | {"SLOPEWATCH_STORE": str(folder / "fleet.duckdb")}
    done = subprocess.run(
        [*COMMAND, *words, "--format", "json"],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode > 1:
        raise RuntimeError(f"{words[0]}: exit {done.returncode}: {done.stderr[-500:]}")
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def status_of(fleet: Fleet, *, installations: bool) -> tuple[dict[str, Any], dict[str, Any], float]:
    """The documents of `load` and `status` on the fleet's tables, and the seconds of `load`."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write_contract_tables(fleet, folder / "tables", installations=installations)
        started = time.monotonic()
        loaded = slopewatch(folder, "load", str(folder / "tables"))
        seconds = time.monotonic() - started
        return loaded, slopewatch(folder, "status", "--as-of", fleet.today.isoformat()), seconds


def estimates_of(status: dict[str, Any]) -> pl.DataFrame:
    """meter_id, gain_error, sd in 100·ln from a status document."""
    rows = [
        (
            m["meter_id"],
            100 * math.log1p(m["gain_error_pct"] / 100),
            m["gain_error_sd_pct"] / (1 + m["gain_error_pct"] / 100),
        )
        for m in status["meters"]
        if m["gain_error_pct"] is not None
    ]
    return pl.DataFrame(rows, schema=["meter_id", "gain_error", "sd"], orient="row")


def alarms_of(status: dict[str, Any], fleet: Fleet) -> list[Alarm]:
    """Every alarm of a status document."""
    return [
        Alarm(kind, row[key], a["kind"], day_number(fleet, date.fromisoformat(a["date"][:10])))
        for kind, section, key in (
            ("meter", "meters", "meter_id"),
            ("reference", "references", "reference_id"),
            ("bench", "benches", "bench_id"),
        )
        for row in status[section]
        for a in row["alarms"]
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scenarios", nargs="*")
    parser.add_argument("--fleets", type=int, default=3)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--installations", action="store_true")
    chosen = parser.parse_args()
    for scenario in chosen.scenarios or list(SCENARIOS):
        ratios, covers = [], []
        for seed in range(chosen.first, chosen.first + chosen.fleets):
            fleet = drawn(scenario, seed)
            best = exact_estimates(fleet, told=EVERYTHING)
            loaded, status, seconds = status_of(fleet, installations=chosen.installations)
            scored = score(estimates_of(status), fleet, best)
            found = tally(alarms_of(status, fleet), fleet)
            ratios.append(scored.ratio)
            covers.append(scored.coverage90)
            print(
                f"  {scenario} {seed}: {scored.row()} set aside {len(loaded['set_aside'])} "
                f"converged {status['fit']['converged']} load {seconds:.0f} s {found}",
                flush=True,
            )
        print(f"{scenario}: ratio median {np.median(ratios):.3f} max {max(ratios):.3f} "
              f"cover {np.mean(covers):.3f}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
