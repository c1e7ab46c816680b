"""What is claimed of meters in the days after a crash, and of those that nothing happened to.

    python -m tests.benchmarks.fleet.after_events [--fleets N] [--first SEED]

Fleets of 40 meters at the bench twice a year; recorded crashes that move one sensor in four (by a
normal step of sd 2 %), none, or every one. Until the meter's next session, every ten days: how
often the 90 % interval holds the truth, the share that would be due at ± 1.5 % and that is out.
Beside them the meters without a crash, with crashes counted and without. Run by hand.
"""

import argparse
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
from scipy.special import ndtr

from models.fleet import FleetData, FleetSettings, condition, fit
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleets import SCENARIOS, Fleet, simulate_fleet

OPTIONS = replace(SCENARIOS["bench only"], late_entry=0.0, early_exit=0.0)
MOVED = {"one in four moves": 0.25, "none moves": 0.0, "all move": 1.0}
COUNTED: dict[str, dict[str, float]] = {"counted": {}, "not counted": {"crash": 0.0}}
STEP_SD, TOLERANCE, TARGET = 2.0, 1.5, 0.9
AFTER, UNTOUCHED = "after a crash", "nothing happened"
Crash = tuple[str, date, float]
Row = tuple[float, float, float]


def crashes(fleet: Fleet, n: int, moved: float, rng: np.random.Generator) -> list[Crash]:
    """Draw n crashes of different meters; a quarter of them in the last 100 days."""
    meters = rng.choice(sorted(fleet.truth.meters), size=n, replace=False)
    days = np.where(np.arange(n) % 4 == 0, rng.integers(10, 100, n), rng.integers(100, 1000, n))
    steps = np.where(rng.random(n) < moved, rng.normal(0, STEP_SD, n), 0.0)
    return [
        (str(m), fleet.today - timedelta(days=int(d)), float(s))
        for m, d, s in zip(meters, days, steps, strict=True)
    ]


def struck(data: FleetData, happened: list[Crash]) -> FleetData:
    """Return the data as they are after the crashes."""
    bench = data.bench
    for meter, on, step in happened:
        later = (pl.col("meter_id") == meter) & (
            pl.col("at") >= datetime(*on.timetuple()[:3], tzinfo=UTC)
        )
        bench = bench.with_columns(found=pl.col("found") + pl.when(later).then(step).otherwise(0.0))
    new = pl.DataFrame(
        {"meter_id": [m for m, _, _ in happened], "on": [d for _, d, _ in happened]}
    ).with_columns(event=pl.lit("crash"), state=pl.lit("confirmed"))
    return replace(data, bench=bench, events=pl.concat([data.events, new], how="diagonal_relaxed"))


def days_after(fleet: Fleet, data: FleetData, crash: Crash) -> list[date]:
    """Return every tenth day from a crash to the meter's next session, 100 days at most."""
    meter, on, _ = crash
    later = data.bench.filter((pl.col("meter_id") == meter) & (pl.col("at").dt.date() >= on))["at"]
    until = min([*later.dt.date(), fleet.today + timedelta(days=1)])
    return [on + timedelta(days=k) for k in range(1, min((until - on).days, 100), 10)]


def forecasts(
    fleet: Fleet, data: FleetData, happened: list[Crash], settings: FleetSettings
) -> tuple[dict[str, list[Row]], float]:
    """Return mean, sd and truth after crashes and of untouched meters, and the crashes' scale.

    Fitted once to all data; each day is looked at with what was known on it.
    """
    whole = fit(data, today=fleet.today, settings=settings)
    rows: dict[str, list[Row]] = {AFTER: [], UNTOUCHED: []}

    def look(case: str, meter: str, day: date, step: float) -> None:
        known = data.until(datetime(day.year, day.month, day.day, 23, 59, tzinfo=UTC))
        seen = condition(known, whole.hyper, today=day, settings=settings)
        mean, sd = seen.gain_error(meter, [day])
        rows[case].append((float(mean[0]), float(sd[0]), fleet.gain_errors_ln(day)[meter] + step))

    for crash in happened:
        for day in days_after(fleet, data, crash):
            look(AFTER, crash[0], day, crash[2])
    for meter in set(fleet.gain_errors_ln(fleet.today)) - {crash[0] for crash in happened}:
        look(UNTOUCHED, meter, fleet.today, 0.0)
    return rows, whole.hyper.fleet_sd("crash")


def line(name: str, rows: list[Row]) -> str:
    """Return one line of the report."""
    mean, sd, truth = np.array(rows).T
    p = ndtr((TOLERANCE - mean) / sd) - ndtr((-TOLERANCE - mean) / sd)
    due, out = p < TARGET, np.abs(truth) > TOLERANCE
    inside = np.mean(np.abs(mean - truth) < 1.645 * sd)
    numbers = (np.mean(mean - truth), inside, np.mean(sd), np.mean(due), np.mean(out))
    return f"{name:50}{len(rows):6d}" + "".join(f"{x:9.3f}" for x in numbers)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--fleets", type=int, default=6)
    parser.add_argument("--first", type=int, default=9300)
    args = parser.parse_args()
    print(f"{'':50}{'n':>6}" + "".join(f"{x:>9}" for x in ("bias", "in 90 %", "sd", "due", "out")))
    for moves, share in MOVED.items():
        for counted, fixed in COUNTED.items():
            found: dict[str, list[Row]] = {AFTER: [], UNTOUCHED: []}
            scales = []
            for seed in range(args.first, args.first + args.fleets):
                fleet = simulate_fleet(OPTIONS, seed)
                happened = crashes(fleet, 12, share, np.random.default_rng(seed))
                settings = FleetSettings(alarms=False, fixed=fixed)
                rows, scale = forecasts(
                    fleet, struck(fleet_data(fleet), happened), happened, settings
                )
                scales.append(scale)
                for case, some in rows.items():
                    found[case] += some
            for case, some in found.items():
                print(line(f"{moves}, {counted}: {case}", some))
            print(f"    scale of crashes: {np.mean(scales):.2f}", flush=True)


if __name__ == "__main__":
    main()
