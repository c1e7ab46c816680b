"""How well the days are told on which a meter may have been struck, nobody knowing which.

    python -m tests.benchmarks.fleet.unknown_days [--fleets N] [--first SEED]

Fits fleets with strikes nobody recorded and looks at every day between the observations around
each strike that was found: error and cover of the 90 % intervals, once as the model has it and
once with the step dated to the observation that shows it. Run by hand; one process.
"""

from __future__ import annotations

import argparse
from datetime import timedelta

import numpy as np

from models.fleet import FleetFit, fit
from models.fleet.design.cumulative_events import GradualEvents
from tests.models.fleet.simulated import drawn, fleet_data
from tests.simulate.fleets import Fleet


def found(fleet: Fleet, fitted: FleetFit) -> list[tuple[float, float]]:
    """Error and standard deviation on each day within a struck meter's open stretch, 100·ln."""
    struck = {strike.meter_id for strike in fleet.truth.strikes}
    rows: list[tuple[float, float]] = []
    for meter, first, last in fitted.steps_between().iter_rows():
        days = [first + timedelta(days=k) for k in range(1, (last - first).days, 3)]
        if meter in struck and days:
            mean, sd = fitted.gain_error(meter, days)
            truth = [fleet.gain_errors_ln(day)[meter] for day in days]
            rows += zip((mean - truth).tolist(), sd.tolist(), strict=True)
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--fleets", type=int, default=8)
    parser.add_argument("--first", type=int, default=8100)
    args = parser.parse_args()
    rows: dict[str, list[tuple[float, float]]] = {"open days": [], "dated to the record": []}
    for seed in range(args.first, args.first + args.fleets):
        fleet = drawn("awkward", seed)
        fitted = fit(fleet_data(fleet), today=fleet.today)
        rows["open days"] += found(fleet, fitted)
        clock = fitted.posterior.layout.events.alarm
        if isinstance(clock, GradualEvents):
            clock.since = clock.at.copy()
        rows["dated to the record"] += found(fleet, fitted)
    print(f"{'':22}{'days':>6}{'rms %':>8}{'in 90 %':>9}{'sd %':>7}")
    for name, pairs in rows.items():
        error, sd = np.array(pairs).T
        inside = np.mean(np.abs(error) < 1.645 * sd)
        rms = np.sqrt(np.mean(error**2))
        print(f"{name:22}{len(error):6d}{rms:8.2f}{inside:9.3f}{np.mean(sd):7.2f}")


if __name__ == "__main__":
    main()
