"""Are due dates right where ageing is no line?

    python -m tests.benchmarks.fleet.ageing_laws [--fleets N] [--first SEED] [--meters M] [LAW …]

Fleets age by a law (tests.simulate.ageing_worlds), the model is fitted to their records, and the
truth is looked up later. Printed for each law: the share of meters that are within tolerance on
their due date (90 % promised), P a year ahead beside the share that is within then, coverage of
90 % intervals a year and three years ahead, today's error, shapes chosen. Run by hand; one
process.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field

import numpy as np

from models.fleet import FleetData, FleetFit, FleetSettings, fit
from models.metrology import percent_from_ln, percent_sd
from models.status.due import Forecast, first_day_below, p_within
from tests.simulate.ageing_worlds import AHEAD_YEARS, LAWS, AgeingWorld, ageing_world

TARGET = 0.90
DAYS = np.concatenate([np.arange(0, 182, 7), np.arange(182, round(AHEAD_YEARS * 365), 28)])


@dataclass
class Tally:
    """What came true."""

    tolerance: float
    due: list[bool] = field(default_factory=list)
    said: list[float] = field(default_factory=list)
    within: list[bool] = field(default_factory=list)
    covered: dict[int, list[bool]] = field(default_factory=lambda: {0: [], 365: [], 1095: []})
    off: dict[int, list[float]] = field(default_factory=lambda: {0: [], 365: [], 1095: []})
    wide: dict[int, list[float]] = field(default_factory=lambda: {0: [], 365: [], 1095: []})


def look(world: AgeingWorld, fitted: FleetFit, tally: Tally) -> None:
    """Add one fleet's outcome."""
    names = fitted.prepared.devices.meters
    mean_ln, sd_ln = fitted.forecast(world.today, DAYS)
    ahead = Forecast(DAYS, percent_from_ln(mean_ln), percent_sd(mean_ln, sd_ln))
    tolerance = np.full(len(names), tally.tolerance)
    day = first_day_below(ahead, tolerance, TARGET)
    for m, name in enumerate(names):
        if 0 < day[m] <= DAYS[-1]:
            tally.due.append(
                abs(percent_from_ln(world.error(name, int(day[m])))) <= tally.tolerance
            )
    for h in tally.covered:
        mean_ln, sd_ln = fitted.forecast(world.today, np.array([h]))
        truth = np.array([world.error(name, h) for name in names])
        tally.off[h] += (mean_ln[:, 0] - truth).tolist()
        tally.wide[h] += sd_ln[:, 0].tolist()
        tally.covered[h] += (np.abs(mean_ln[:, 0] - truth) < 1.645 * sd_ln[:, 0]).tolist()
        if h == 365:
            p = p_within(
                percent_from_ln(mean_ln), percent_sd(mean_ln, sd_ln), np.array(tally.tolerance)
            )
            tally.said += p[:, 0].tolist()
            tally.within += (np.abs(percent_from_ln(truth)) <= tally.tolerance).tolist()


def line(law: str, tally: Tally, fleets: int, cpu: float) -> str:
    """One line a law."""
    rms = [float(np.sqrt(np.mean(np.square(x)))) for x in tally.off.values()]
    return (
        f"{law:13s} {fleets:3d} fleets  within on the due date {np.mean(tally.due):.3f} "
        f"of {len(tally.due)}   a year ahead: P {np.mean(tally.said):.3f} "
        f"true {np.mean(tally.within):.3f}   cover "
        + " ".join(f"{np.mean(x):.3f}" for x in tally.covered.values())
        + "   rms "
        + " ".join(f"{x:.2f}" for x in rms)
        + "   sd "
        + " ".join(f"{np.mean(x):.2f}" for x in tally.wide.values())
        + f"   {cpu / fleets:.1f} s CPU a fit"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("laws", nargs="*", default=list(LAWS))
    parser.add_argument("--fleets", type=int, default=10)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--meters", type=int, default=60)
    parser.add_argument("--years", type=float, default=3.0)
    parser.add_argument("--tolerance", type=float, default=1.5)
    parser.add_argument("--alarms", action="store_true")
    chosen = parser.parse_args()
    settings = FleetSettings(alarms=chosen.alarms)
    for law in chosen.laws or list(LAWS):
        tally, cpu = Tally(chosen.tolerance), 0.0
        for seed in range(chosen.first, chosen.first + chosen.fleets):
            world = ageing_world(law, seed, n_meters=chosen.meters, years=chosen.years)
            start = time.process_time()
            fitted = fit(FleetData(**world.frames), today=world.today, settings=settings)
            cpu += time.process_time() - start
            look(world, fitted, tally)
        print(line(law, tally, chosen.fleets, cpu), flush=True)


if __name__ == "__main__":
    main()
