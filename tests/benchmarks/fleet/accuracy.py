"""How near the fleet model comes to exact inference, on simulated fleets of every scenario.

    python -m tests.benchmarks.fleet.accuracy [--fleets N] [--first SEED] [SCENARIO …]

For each scenario: today's root-mean-square error over that of the oracle (exact inference with
the true parameters, told of strikes, wild comparisons, wrong entries and jumps), the share of
90 % intervals that hold the truth, and how long a fit took. Run by hand; one process.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from models.fleet import FleetFit, fit
from tests.models.fleet.simulated import drawn, fleet_data
from tests.simulate.alarm_score import Alarm, Tally, day_number, tally
from tests.simulate.fleets import SCENARIOS, Fleet
from tests.simulate.oracle import EVERYTHING, Score, exact_estimates, score


@dataclass(frozen=True)
class Trial:
    """One fleet: its score, whether the fit converged, its CPU time."""

    scenario: str
    seed: int
    score: Score
    converged: bool
    cpu_s: float
    n_observations: int
    tally: Tally


def estimates(fitted: FleetFit, meters: list[str], today: date) -> pl.DataFrame:
    """The model's gain errors of today: meter_id, gain_error, sd (100·ln)."""
    mean, sd = fitted.gain_error(meters, today)
    return pl.DataFrame({"meter_id": meters, "gain_error": mean, "sd": sd})


def alarms_of(fitted: FleetFit, fleet: Fleet) -> list[Alarm]:
    """The fit's alarms; a group's shape of ageing is no alarm and not among them."""
    return [
        Alarm(r["device_kind"], r["device_id"], r["kind"], day_number(fleet, r["date"]))
        for r in fitted.alarms.iter_rows(named=True)
    ]


def trial(scenario: str, seed: int) -> Trial:
    """Draw, fit, compare."""
    fleet = drawn(scenario, seed)
    best = exact_estimates(fleet, told=EVERYTHING)
    started = time.process_time()
    fitted = fit(fleet_data(fleet), today=fleet.today)
    cpu_s = time.process_time() - started
    ours = estimates(fitted, best["meter_id"].to_list(), fleet.today)
    n = fleet.frames["bench"].height + fleet.frames["comparisons"].height
    named = tally(alarms_of(fitted, fleet), fleet)
    return Trial(scenario, seed, score(ours, fleet, best), fitted.converged, cpu_s, n, named)


def line(t: Trial) -> str:
    """One line a fleet."""
    return (
        f"  {t.scenario} {t.seed}: ratio {t.score.ratio:.3f} cover {t.score.coverage90:.2f} "
        f"(oracle {t.score.best_inside90 / t.score.n:.2f}) bias {t.score.bias:+.3f} "
        f"sharpness {t.score.sharpness:.2f} cpu {t.cpu_s:.1f} s"
        f"{'' if t.converged else ' NOT CONVERGED'}{found(t.tally)}"
    )


def found(t: Tally) -> str:
    """What was named and what was invented."""
    return (
        f" | strikes {t.strikes_named}/{t.strikes} entries {t.entries_named}/{t.entries} "
        f"jumps {t.jumps_named}/{t.jumps} blamed {t.blamed} "
        f"false {t.false_alarms / max(t.years, 1e-9):.2f} a year"
    )


def summary(trials: list[Trial]) -> str:
    """One line a scenario."""
    ratios = np.array([t.score.ratio for t in trials])
    n = sum(t.score.n for t in trials)
    inside = sum(t.score.inside90 for t in trials) / n
    best = sum(t.score.best_inside90 for t in trials) / n
    each = [t.score.coverage90 for t in trials]
    return (
        f"{trials[0].scenario:22s} {len(trials):3d} fleets  "
        f"ratio median {np.median(ratios):.3f} max {ratios.max():.3f}  "
        f"cover {inside:.3f} ({min(each):.2f}…{max(each):.2f}, oracle {best:.3f})  "
        f"converged {sum(t.converged for t in trials)}  "
        f"cpu {np.median([t.cpu_s for t in trials]):.1f} s at {trials[0].n_observations} obs"
        f"{found(sum((t.tally for t in trials), Tally()))} "
        f"(blamed in one fleet at most {max(t.tally.blamed for t in trials)})"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scenarios", nargs="*", default=list(SCENARIOS))
    parser.add_argument("--fleets", type=int, default=20)
    parser.add_argument("--first", type=int, default=1000)
    chosen = parser.parse_args()
    for scenario in chosen.scenarios or list(SCENARIOS):
        trials = []
        for seed in range(chosen.first, chosen.first + chosen.fleets):
            trials.append(trial(scenario, seed))
            print(line(trials[-1]), flush=True)
        print(summary(trials), flush=True)


if __name__ == "__main__":
    main()
