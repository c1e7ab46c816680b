"""How long the fleet model takes: against MixedLM, by meters, and by references.

    python -m tests.benchmarks.fleet.speed [mixed] [meters] [references]

Run by hand, one process; set OPENBLAS_NUM_THREADS=1 to compare CPU times.
    mixed        random start and drift of N meters × 12 sessions by REML: statsmodels' MixedLM
                 and the fleet model on the same data, estimates beside each other
    meters       a fleet with strikes, wrong entries, wild comparisons, alarms on: three sizes at
                 40 references
    references   1,000 meters at 10, 20, 40, 80 references
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from math import inf
from typing import Any

import numpy as np
import polars as pl

from models.fleet import FleetData, FleetFit, FleetSettings, fit
from tests.simulate.fleets import SCENARIOS, simulate_fleet

SESSIONS = 12
FRAMES = ("meters", "bench", "comparisons", "resets", "events", "references", "benches")


def timed(job: Callable[[], Any]) -> tuple[Any, float]:
    """What a job returns, and its CPU time in seconds."""
    start = time.process_time()
    result = job()
    return result, time.process_time() - start


def lines(n_meters: int, seed: int = 3) -> tuple[FleetData, dict[str, np.ndarray]]:
    """Meters with a start and a drift each, read twelve times over two years."""
    rng = np.random.default_rng(seed)
    meter = np.repeat(np.arange(n_meters), SESSIONS)
    year = np.tile(np.linspace(0, 2, SESSIONS), n_meters)
    start, drift = rng.normal(0.3, 1.0, n_meters), rng.normal(-0.2, 0.4, n_meters)
    y = start[meter] + drift[meter] * year + rng.normal(0, 0.3, len(meter))
    ids = [f"m{i:05d}" for i in meter]
    at = pl.Series(1_000_000 * np.round(year * 31557600).astype(np.int64)).cast(pl.Datetime("us"))
    meters = pl.DataFrame({"meter_id": sorted(set(ids)), "group": "all"})
    data = FleetData(
        meters=meters.with_columns(in_service_on=pl.lit(date(1970, 1, 1))),
        bench=pl.DataFrame({"meter_id": ids, "at": at, "found": y, "u_session": 0.0}).with_columns(
            session_id=pl.int_range(pl.len()).cast(pl.String)
        ),
    )
    return data, {"meter": meter, "year": year, "y": y}


def ours(data: FleetData) -> FleetFit:
    """REML by the fleet model: no priors, nothing but starts, drifts and noise."""
    settings = FleetSettings(
        priors=None,
        fixed={"walk": 0.0, "swap": 0.0},
        mean_start_sd=inf,
        mean_drift_sd=inf,
        robust=False,
        alarms=False,
        tolerance=1e-8,
    )
    return fit(data, today=date(1972, 1, 2), settings=settings)


def theirs(columns: dict[str, np.ndarray]) -> Any:
    """REML by statsmodels."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    x = np.column_stack([np.ones_like(columns["year"]), columns["year"]])
    model = MixedLM(columns["y"], x, groups=columns["meter"], exog_re=x)
    return model.fit(reml=True, method=["bfgs", "lbfgs"])


def mixed() -> None:
    """MixedLM and the fleet model on the same problem."""
    import statsmodels.regression.mixed_linear_model  # noqa: F401 (its import is not timed)

    print(" meters  MixedLM s  fleet s  ratio   sd start      sd drift      noise")
    for n in (100, 300, 1000):
        data, columns = lines(n)
        other, slow = timed(lambda c=columns: theirs(c))
        fitted, quick = timed(lambda d=data: ours(d))
        cov = np.asarray(other.cov_re)
        mine = fitted.hyper.line_covariance()[0]
        pairs = [
            (np.sqrt(cov[0, 0]), np.sqrt(mine[0, 0])),
            (np.sqrt(cov[1, 1]), np.sqrt(mine[1, 1])),
            (np.sqrt(other.scale), fitted.hyper.sd("bench")[0]),
        ]
        text = "  ".join(f"{a:.4f} {b:.4f}" for a, b in pairs)
        print(f"{n:7d} {slow:10.2f} {quick:8.2f} {slow / quick:6.1f}   {text}", flush=True)


def awkward(n_meters: int, n_references: int) -> None:
    """One fit of a fleet in which everything goes wrong."""
    options = replace(
        SCENARIOS["awkward"],
        n_meters=n_meters,
        n_trainers=n_references,
        comparison_rate=6.5,
        bench_rate=2.0,
        strikes=n_meters // 15,
        wrong_entries=n_meters // 20,
    )
    fleet = simulate_fleet(options, 1)
    data = FleetData(**{name: fleet.frames[name] for name in FRAMES})
    wall = time.perf_counter()
    fitted, cpu = timed(lambda: fit(data, today=fleet.today))
    wall = time.perf_counter() - wall
    print(
        f"{n_meters:7d} {n_references:11d} {len(fitted.prepared.obs):13d} "
        f"{fitted.posterior.state.design.n_shared:7d} {cpu:7.1f} {wall:7.1f} "
        f"{_peak_gib():9.2f}  {fitted.converged}",
        flush=True,
    )


def _peak_gib() -> float:
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


HEADER = " meters  references  observations  shared   CPU s  wall s  peak GiB  converged"


def main(jobs: list[str]) -> None:
    """Print the tables asked for."""
    if not jobs or "mixed" in jobs:
        mixed()
    if not jobs or "meters" in jobs:
        print(HEADER)
        for n in (300, 1000, 3000):
            awkward(n, 40)
    if not jobs or "references" in jobs:
        print(HEADER)
        for n in (10, 20, 40, 80):
            awkward(1000, n)


if __name__ == "__main__":
    main(sys.argv[1:])
