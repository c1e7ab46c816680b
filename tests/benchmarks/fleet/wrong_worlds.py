"""Every world in one table: error, coverage and alarms, where the model's assumptions hold or not.

    python -m tests.benchmarks.fleet.wrong_worlds [--fleets N] [--first SEED] [WORLD …]

For each world: the error of today's gain errors (100·ln), beside that of exact inference told of
everything but the thermometer ("best") and of each meter's last bench value ("last"); it over the
best or, where there is none, over the last; how many of the 90 % intervals hold the truth; how many
true changes were named, how many of them are only proposed; false alarms a fleet-year by kind. Run
by hand; one process.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from models.fleet import FleetFit, fit
from models.metrology import Z90
from tests.benchmarks.fleet.accuracy import alarms_of, estimates
from tests.models.fleet.simulated import UNVARIED, fleet_data
from tests.simulate.alarm_score import false_alarms, tally
from tests.simulate.fleet_truth import YEAR
from tests.simulate.fleets import SCENARIOS, Fleet, FleetOptions, simulate_fleet, varied
from tests.simulate.oracle import EVERYTHING, exact_estimates

CALM = replace(FleetOptions(), n_meters=60, years=3.0, early_exit=0.0)
STRUCK = replace(CALM, strikes=8, strikes_together=True)
WORLDS: dict[str, FleetOptions] = {
    **{
        name: SCENARIOS[name]
        for name in (
            "usual",
            "no drift",
            "bench only",
            "lean",
            "awkward",
            "unwritten season",
            "unwritten season, rides",
            "unwritten season, three sets",
            "the set steps",
            "the set steps, rides",
            "one of three sets steps",
            "three sets from one scale",
        )
    },
    "unwritten season, the set steps": replace(SCENARIOS["unwritten season"], bench_jump=0.8),
    "calm, 60 meters": CALM,
    "calm, 120 meters": replace(CALM, n_meters=120),
    "1 % half a year ago": replace(STRUCK, strike_size=(1.0, 1.0)),
    "2 % half a year ago": replace(STRUCK, strike_size=(2.0, 2.0)),
    "meters unlike in noise": replace(CALM, noise_spread=0.6),
}


@dataclass
class Sums:
    """What the fleets of one world add up to."""

    error: list[float] = field(default_factory=list)
    best: list[float] = field(default_factory=list)
    last: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    named: int = 0
    changes: int = 0
    proposed: int = 0
    years: float = 0.0
    false: Counter[str] = field(default_factory=Counter)

    def add(self, fleet: Fleet, fitted: FleetFit) -> None:
        """Add one fleet and its fit."""
        truth = fleet.gain_errors_ln(fleet.today)
        best = exact_estimates(fleet, told=EVERYTHING) if fleet.options.thermometer else None
        for row in estimates(fitted, list(truth), fleet.today).iter_rows(named=True):
            off = row["gain_error"] - truth[row["meter_id"]]
            self.error.append(off)
            self.inside.append(abs(off) < Z90 * row["sd"])
        if best is not None:
            pairs = best.select("meter_id", "gain_error").iter_rows()
            self.best += [value - truth[meter] for meter, value in pairs]
        self.last += [value - truth[meter] for meter, value in last_values(fleet)]
        alarms = alarms_of(fitted, fleet)
        found = tally(alarms, fleet)
        self.named += found.jumps_named + found.strikes_named
        self.changes += found.jumps + found.strikes
        self.proposed += sum(effect.proposed for effect in fitted.effects)
        self.years += fleet.n_days / YEAR
        self.false.update(f"{a.device_kind} {a.kind}" for a in false_alarms(alarms, fleet))

    def line(self, world: str) -> str:
        """Return one line."""
        kinds = ", ".join(f"{kind} {n}" for kind, n in self.false.most_common())
        error, best, last = (_rms(x) for x in (self.error, self.best, self.last))
        over = error / (best if self.best else last)
        shown = f"{best:.3f}" if self.best else "–"
        return (
            f"{world:31s} {error:6.3f} {shown:>6s} {last:6.3f}  {over:6.3f}   "
            f"{np.mean(self.inside):.3f}   {self.named:3d}/{self.changes:<3d} {self.proposed:3d}  "
            f"{sum(self.false.values()) / self.years:6.2f}  ({kinds})"
        )


def last_values(fleet: Fleet) -> Iterator[tuple[str, float]]:
    """Yield what each meter's last session found, less the changes of its slope since."""
    newest = fleet.frames["bench"].sort("at").group_by("meter_id").last()
    in_use = fleet.gain_errors_ln(fleet.today)
    for meter_id, at, found in newest.select("meter_id", "at", "found").iter_rows():
        if meter_id in in_use:
            meter = fleet.truth.meters[meter_id]
            since = meter.programmed(fleet.end) - meter.programmed(fleet.day_of(at))
            yield meter_id, found - since


def _rms(x: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(x)))) if x else float("nan")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("worlds", nargs="*", default=list(WORLDS))
    parser.add_argument("--fleets", type=int, default=10)
    parser.add_argument("--first", type=int, default=300)
    chosen = parser.parse_args()
    print(
        f"{'world':31s}  error   best   last    over  inside    named  only proposed  false a year"
    )
    for world in chosen.worlds or list(WORLDS):
        sums = Sums()
        for seed in range(chosen.first, chosen.first + chosen.fleets):
            fleet = simulate_fleet(
                WORLDS[world] if world in UNVARIED else varied(WORLDS[world], seed), seed
            )
            sums.add(fleet, fit(fleet_data(fleet), today=fleet.today))
        print(sums.line(world), flush=True)


if __name__ == "__main__":
    main()
