"""How the error of today's gain error falls with the number of bench sessions per meter.

    python -m tests.benchmarks.fleet.learning_curve [--fleets N]

Bench sessions only, 40 meters; beside it the error of exact inference with the true parameters.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from models.fleet import fit
from tests.benchmarks.fleet.accuracy import estimates
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleets import SCENARIOS, simulate_fleet
from tests.simulate.oracle import EVERYTHING, exact_estimates, score

YEARS = (0.6, 1.0, 1.5, 2.5, 4.0, 6.0)


def main() -> None:
    """Print the curve."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleets", type=int, default=6)
    fleets = parser.parse_args().fleets
    print("years  sessions a meter  error %  exact %  ratio  inside 90 %")
    for years in YEARS:
        sessions, ours, exact, inside = [], [], [], []
        for seed in range(fleets):
            options = replace(SCENARIOS["bench only"], years=years, quiet_tail=min(0.3, years / 3))
            fleet = simulate_fleet(options, 7000 + seed)
            best = exact_estimates(fleet, told=EVERYTHING)
            fitted = fit(fleet_data(fleet), today=fleet.today)
            marks = score(estimates(fitted, best["meter_id"].to_list(), fleet.today), fleet, best)
            sessions.append(fleet.frames["bench"].height / best.height)
            ours.append(marks.rmse)
            exact.append(marks.best_rmse)
            inside.append(marks.coverage90)
        rms, least = (float(np.sqrt(np.mean(np.square(x)))) for x in (ours, exact))
        print(
            f"{years:5.1f}  {np.mean(sessions):16.1f}  {rms:7.3f}  {least:7.3f}  "
            f"{rms / least:5.2f}  {np.mean(inside):11.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
