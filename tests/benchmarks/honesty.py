"""Whether what decisions rest on is as sure as it says: probabilities, efforts, hindcasts.

    python -m tests.benchmarks.honesty [chances] [efforts] [hindcast] [--fleets N] [--first SEED]

Fleets of the simulator, group parameters drawn anew for each. `chances` and `efforts` fit what was
known 400 days before the fleet's last day.
    chances    of meters said to be within ± 1.5 % with a probability, how many are, that day and
               120, 240 and 365 days on without another visit; pooled over fleets, and among all
               and only among those whose probability is above 0.5
    efforts    differences of two efforts on one meter at two instants, and on two meters: how
               many 90 % intervals hold the true difference
    hindcast   how many bench sessions found what had been forecast with 90 %, small fleets
Run by hand; one process.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import partial

import numpy as np
import polars as pl

from models.coaching import Effort, answer
from models.fleet import FleetFit, FleetSettings, fit
from models.honesty.looking_back import before, forecasts
from models.honesty.scoring import effective_number, reliability_table
from models.metrology import Z90, Mask, proportion
from models.status import p_within
from tests.models.fleet.simulated import drawn, fleet_data
from tests.simulate.fleets import SCENARIOS, Fleet, simulate_fleet, varied

BEFORE_END = 400
HORIZONS = (0, 120, 240, 365)
TOLERANCE = 1.5


def known_then(fleet: Fleet) -> tuple[FleetFit, date]:
    """A fit of what was known some time before the fleet's last day."""
    cut = fleet.today - timedelta(days=BEFORE_END)
    data = fleet_data(fleet).until(datetime(cut.year, cut.month, cut.day, 23, 59, tzinfo=UTC))
    data = replace(data, events=data.events.filter(pl.col("on") <= cut))
    begun = data.meters.filter(pl.col("in_service_on") <= cut)
    return fit(replace(data, meters=begun), today=cut), cut


def chances(fleet: Fleet) -> pl.DataFrame:
    """meter, horizon, p, inside of every meter in use at each horizon."""
    fitted, cut = known_then(fleet)
    mean, sd = fitted.forecast(cut, np.array(HORIZONS, dtype=np.float64))
    p = p_within(100 * np.expm1(mean / 100), sd * np.exp(mean / 100), np.array(TOLERANCE))
    start = fleet.day_of(cut)
    rows = []
    for m, name in enumerate(fitted.prepared.devices.meters):
        meter = fleet.truth.meters[name]
        for k, ahead in enumerate(HORIZONS):
            if meter.stop is not None and start + ahead >= meter.stop:
                continue
            error = meter.sensor_at(start + ahead) - meter.programmed(start)
            inside = abs(100 * np.expm1(error / 100)) <= TOLERANCE
            rows.append((f"{fleet.seed}/{name}", ahead, float(p[m, k]), bool(inside)))
    return pl.DataFrame(rows, schema=["meter", "horizon", "p", "inside"], orient="row")


def efforts(fleet: Fleet, rng: np.random.Generator, *, n: int = 300) -> dict[str, list[bool]]:
    """Whether each difference's interval holds the truth: on the same meter, on two."""
    fitted, cut = known_then(fleet)
    names, end = fitted.prepared.devices.meters, fleet.day_of(cut)
    held: dict[str, list[bool]] = {"same meter": [], "two meters": []}
    for k in range(n):
        kind = "same meter" if k % 2 else "two meters"
        first = str(rng.choice(names))
        second = first if k % 2 else str(rng.choice(names))
        made = []
        for name in (first, second):
            meter = fleet.truth.meters[name]
            stop = min(end, float(meter.stop) - 1 if meter.stop is not None else end)
            if stop <= meter.start + 1:
                break
            day = rng.uniform(meter.start + 0.5, stop)
            made.append((name, day, 300.0, meter.gain_error(day)))
        if len(made) < 2:
            continue
        made[1] = (*made[1][:2], 300.0 + rng.normal(0, 8), made[1][3])
        asked = [
            Effort(
                datetime.combine(fleet.options.first_day, datetime.min.time(), UTC)
                + timedelta(days=day),
                name,
                watts * float(np.exp(error / 100)),
            )
            for name, day, watts, error in made
        ]
        joint = fitted.joint([(("meter", e.device_id), e.at) for e in asked])
        low, high = answer(asked, joint)["differences"][0]["interval90_w"]
        held[kind].append(low <= made[1][2] - made[0][2] <= high)
    return held


def hindcast(seed: int) -> pl.DataFrame:
    """Forecasts of a small fleet's sessions: z of what was found."""
    options = replace(varied(SCENARIOS["usual"], seed), n_meters=30, years=2.5)
    fleet = simulate_fleet(options, seed)
    data = fleet_data(fleet).completed()
    rows = forecasts(data.bench, partial(before, data), FleetSettings())
    owner = fleet.frames["bench"].select("session_id", "meter_id")
    return rows.join(owner, on="session_id").with_columns(
        z=(pl.col("found_ln") - pl.col("forecast_ln")) / pl.col("sd_ln"),
        meter=pl.lit(f"{seed}/") + pl.col("meter_id"),
    )


def _print_chances(found: pl.DataFrame) -> None:
    table = reliability_table(found["p"].to_numpy(), found["inside"].to_numpy())
    for row in table.iter_rows(named=True):
        print(
            f"  said {row['p_from']:.0%} to {row['p_to']:.0%} (mean {row['mean_p']:.1%}): "
            f"{row['share']:.1%} of {row['n']} were, off by {row['share'] - row['mean_p']:+.1%}"
        )


def _share(held: Mask, cluster: pl.Series) -> str:
    code = cluster.rank("dense").cast(pl.Int64).to_numpy() - 1
    n = effective_number(held, code)
    share = proportion(float(held.mean()) * n, n)
    return f"{share.share:.1%} ({share.lo:.1%} to {share.hi:.1%}) of {held.size}"


def main() -> None:
    """Print the tables asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("jobs", nargs="*")
    parser.add_argument("--fleets", type=int, default=6)
    parser.add_argument("--first", type=int, default=300)
    parser.add_argument("--out", help="keep the rows of `chances` here as CSV, to pool runs")
    args = parser.parse_args()
    seeds = range(args.first, args.first + args.fleets)
    begun = time.process_time()
    if not args.jobs or "chances" in args.jobs:
        found = pl.concat([chances(drawn("usual", seed)) for seed in seeds])
        print(f"chances, {args.fleets} fleets")
        _print_chances(found)
        if args.out:
            found.write_csv(args.out)
    if not args.jobs or "efforts" in args.jobs:
        rng = np.random.default_rng(args.first)
        parts = [efforts(drawn("usual", seed), rng) for seed in seeds]
        for kind in parts[0]:
            held = [x for part in parts for x in part[kind]]
            print(f"efforts, {kind}: {np.mean(held):.1%} of {len(held)} held")
    if not args.jobs or "hindcast" in args.jobs:
        rows = pl.concat([hindcast(seed) for seed in seeds])
        print(f"hindcast: {_share((rows['z'].abs() <= Z90).to_numpy(), rows['meter'])}")
        print(f"  sd of z {float(rows['z'].std() or 0):.3f}")  # type: ignore[arg-type]
    print(f"{time.process_time() - begun:.0f} s CPU")


if __name__ == "__main__":
    main()
