"""Ours against fixed intervals in a closed loop: visits happen, their results feed the model.

    python -m tests.benchmarks.decisions [--meters N] [--years Y] [--seed S] [--rides R]

A team's world is drawn by this file's own physics: meters that drift, wander and step at battery
swaps, trainers that wander, a mass set, cranks of unknown length. Fixed intervals of 2 to 24
months run through it without a model. Ours fits the fleet model to what has been recorded (anew
every half-year, conditioned on the records every four weeks) and sends a meter to the bench when
its forecast falls below the target within those weeks. Both start with one session of each meter
and count after the first year. Printed: visits per meter-year, share of days out of tolerance,
and ours over fixed intervals at the same share. Run by hand; one process.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from models.budget.replacement import state_today
from models.fleet import FleetData, FleetFit, FleetSettings, condition, fit
from models.metrology import Array, Index, Mask
from models.policies import cheapest_average, data_summary, process_parameters
from models.status import p_within

FIRST = date(2020, 1, 6)
WEEK = 7 / 365.25
TOLERANCE = 1.5
SESSION_U, EXTRA_U, CRANK_U, SET_U, RIDE_U = 0.20, 0.10, 0.15, 0.01, 0.45
LOOK = 4  # weeks between decisions
FIXED = (2, 3, 4, 6, 9, 12, 18, 24)


@dataclass
class World:
    """Truth: errors without any reset [weeks + 1, N], trainers [weeks + 1, T], and the noise."""

    error: Array
    trainer: Array
    pair: Array
    crank: Array
    swapped: Mask
    rode: Mask
    ride_noise: Array
    bench_noise: Array
    home: Index
    group: Index


def draw_world(n: int, years: float, rides: float, rng: np.random.Generator) -> World:
    """Two groups: one calm, one that drifts and steps at battery swaps."""
    weeks = round(years / WEEK)
    group = (np.arange(n) % 2).astype(np.int64)
    drift = np.array([0.3, -0.5])[group] + np.array([0.3, 0.45])[group] * rng.standard_normal(n)
    walk = np.array([0.25, 0.4])[group]
    every = np.array([0.8, 0.5])[group]
    swapped = rng.random((weeks, n)) < WEEK / every
    step = np.array([0.0, 0.3])[group] + np.array([0.08, 0.2])[group] * rng.standard_normal(
        (weeks, n)
    )
    moves = drift * WEEK + walk * np.sqrt(WEEK) * rng.standard_normal((weeks, n)) + swapped * step
    error = np.concatenate([np.zeros((1, n)), np.cumsum(moves, axis=0)]) + rng.standard_normal(n)
    trainers = rng.standard_normal((weeks, 3)) * 0.35 * np.sqrt(WEEK)
    level = rng.standard_normal(3) * 1.5
    return World(
        error=error,
        trainer=np.concatenate([np.zeros((1, 3)), np.cumsum(trainers, axis=0)]) + level,
        pair=0.4 * rng.standard_normal(n),
        crank=CRANK_U * rng.standard_normal(n) + SET_U * rng.standard_normal(),
        swapped=swapped,
        rode=rng.random((weeks, n)) < rides * WEEK,
        ride_noise=RIDE_U * rng.standard_normal((weeks, n)),
        bench_noise=np.hypot(SESSION_U, EXTRA_U) * rng.standard_normal((weeks + 1, n)),
        home=rng.integers(0, 3, n),
        group=group,
    )


@dataclass
class Team:
    """A policy's own course through the world: slopes, records, counts."""

    world: World
    p: Array = field(init=False)
    visits: int = 0
    out: list[float] = field(default_factory=list)
    bench: list[dict[str, object]] = field(default_factory=list)
    resets: list[dict[str, object]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.p = np.zeros(self.world.error.shape[1])

    def visit(self, week: int, who: Index, counts: bool) -> None:
        """Hang masses on meters; reset what is beyond the session's expanded uncertainty."""
        limit = 2 * np.sqrt(SESSION_U**2 + EXTRA_U**2 + CRANK_U**2)
        w = self.world
        for m in who.tolist():
            found = float(w.error[week, m] - self.p[m] + w.crank[m] + w.bench_noise[week, m])
            self.bench.append(session(week, m, found))
            if abs(found) > limit:
                self.resets.append(reset(week, m, float(self.p[m]), float(self.p[m]) + found))
                self.p[m] += found
        self.visits += len(who) if counts else 0

    def live(self, week: int, counts: bool) -> None:
        """One week: how many ride out of tolerance."""
        if counts:
            self.out.append(float(np.mean(np.abs(self.world.error[week + 1] - self.p) > TOLERANCE)))


def instant(week: int, hours: float) -> datetime:
    """An instant in a week."""
    return datetime(FIRST.year, FIRST.month, FIRST.day, tzinfo=UTC) + timedelta(
        weeks=week, hours=hours
    )


def session(week: int, m: int, found: float) -> dict[str, object]:
    """A row of FleetData.bench."""
    return {
        "session_id": f"B{len(str(week))}{week}-{m}", "meter_id": f"M{m}", "at": instant(week, 9),
        "bench_id": "set", "crank_id": f"crank-{m}", "found": found, "u_session": SESSION_U,
        "u_bench": SET_U, "u_crank": CRANK_U, "u_place": 0.0, "u_meter": 0.0,
    }  # fmt: skip


def reset(week: int, m: int, before: float, after: float) -> dict[str, object]:
    """A row of FleetData.resets."""
    at = instant(week, 10)
    return {
        "meter_id": f"M{m}", "at": at, "p_before": before, "p_after": after, "recorded": True,
        "earliest": at, "latest": at,
    }  # fmt: skip


def rides_of(world: World, team: Team, week: int, slope: Array) -> list[dict[str, object]]:
    """The week's comparisons as rows of FleetData.comparisons."""
    del team
    rows: list[dict[str, object]] = []
    for m in np.flatnonzero(world.rode[week]).tolist():
        h = int(world.home[m])
        shown = world.error[week, m] - slope[m] - world.trainer[week, h] + world.pair[m]
        rows.append(
            {
                "comparison_id": f"R{week}-{m}",
                "meter_id": f"M{m}",
                "reference_id": f"T{h}",
                "at": instant(week, 100),
                "ratio": float(shown + world.ride_noise[week, m]),
                "u": RIDE_U,
            }
        )
    return rows


def fixed(world: World, months: float, burn_in: int) -> tuple[float, float]:
    """Visits a meter-year and share out of tolerance of a fixed interval, meters in turn."""
    team, n = Team(world), world.error.shape[1]
    every = months * 365.25 / 12 / 7
    wait = every * (np.arange(n) + 0.5) / n
    weeks = world.rode.shape[0]
    team.visit(0, np.arange(n), False)
    for week in range(weeks):
        wait -= 1
        due = wait < 0
        wait[due] += every
        if week:
            team.visit(week, np.flatnonzero(due), week >= burn_in)
        team.live(week, week >= burn_in)
    return team.visits / (n * (weeks - burn_in) * WEEK), float(np.mean(team.out))


def ours(
    world: World, burn_in: int, *, target: float | None = None, days: float = 0.0
) -> tuple[float, float]:
    """The same for the forecasts: to the bench below a target, or (days ridden out of tolerance
    that cost as much as a visit) once the risk outweighs the cheapest average."""
    team, n = Team(world), world.error.shape[1]
    rides: list[dict[str, object]] = []
    fleet: FleetFit | None = None
    weeks = world.rode.shape[0]
    team.visit(0, np.arange(n), False)
    for week in range(weeks):
        if week and week % LOOK == 0:
            fleet, now, p = look(world, team, rides, week, fleet)
            due = p < target if target is not None else 1 - p >= cheapest(now, days)
            team.visit(week, np.flatnonzero(due), week >= burn_in)
        rides += rides_of(world, team, week, team.p)
        team.live(week, week >= burn_in)
    return team.visits / (n * (weeks - burn_in) * WEEK), float(np.mean(team.out))


def look(
    world: World, team: Team, rides: list[dict[str, object]], week: int, fleet: FleetFit | None
) -> tuple[FleetFit, FleetFit, Array]:
    """The last fit, the fleet now, and each meter's least probability of being within tolerance
    until the next look, [N]."""
    data, today = records(world, team, rides, week), FIRST + timedelta(weeks=week, days=-1)
    options = FleetSettings(alarms=False)
    if fleet is None or week % 26 < LOOK:
        fleet = fit(data, today=today, settings=options, start=fleet.hyper if fleet else None)
        now = fleet
    else:
        now = condition(data, fleet.hyper, today=today, settings=options, weights=fleet.weights)
    mean, sd = now.forecast(today, np.array([0.0, 7.0 * LOOK / 2]))
    p = p_within(100 * np.expm1(mean / 100), sd * np.exp(mean / 100), np.array(TOLERANCE))
    return fleet, now, p.min(axis=1)


def cheapest(now: FleetFit, days: float) -> Array:
    """The least average cost of each meter that visits can buy, days out of tolerance a day."""
    names = now.prepared.devices.meters
    meters = pl.DataFrame({"meter_id": names}).with_columns(tolerance_pct=TOLERANCE)
    usual = process_parameters(now, data_summary(now, meters, now.prepared.data))
    return cheapest_average(state_today(now, meters, usual), days)


def records(world: World, team: Team, rides: list[dict[str, object]], week: int) -> FleetData:
    """What has been written down by a week."""
    n = world.error.shape[1]
    meters = pl.DataFrame(
        {
            "meter_id": [f"M{m}" for m in range(n)],
            "group": [f"g{g}" for g in world.group],
            "in_service_on": [FIRST] * n,
        }
    )
    swaps = [
        {"meter_id": f"M{m}", "on": FIRST + timedelta(weeks=int(w)), "event": "battery_swap"}
        for w, m in np.argwhere(world.swapped[:week])
    ]
    return FleetData(
        meters=meters,
        bench=pl.DataFrame(team.bench),
        **({"comparisons": pl.DataFrame(rides)} if rides else {}),
        **({"resets": pl.DataFrame(team.resets)} if team.resets else {}),
        **({"events": pl.DataFrame(swaps)} if swaps else {}),
        benches=pl.DataFrame({"bench_id": ["set"], "u_pct": [SET_U], "source": ["certificate"]}),
    )


def at_same_share(share: float, fixed_rows: list[tuple[float, float]]) -> float | None:
    """Visits that fixed intervals need for a share, interpolated in logarithms."""
    rows = sorted((out, visits) for visits, out in fixed_rows if out > 0)
    shares = np.array([out for out, _ in rows])
    if not shares.size or not shares[0] <= share <= shares[-1]:
        return None
    visits = np.array([v for _, v in rows])
    return float(np.exp(np.interp(np.log(share), np.log(shares), np.log(visits))))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--meters", type=int, default=40)
    parser.add_argument("--years", type=float, default=5.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rides", type=float, default=12.0)
    parser.add_argument("--targets", type=float, nargs="+", default=[0.9, 0.97])
    parser.add_argument("--days", type=float, nargs="*", default=[5.0, 15.0])
    args = parser.parse_args()
    world = draw_world(args.meters, args.years, args.rides, np.random.default_rng(args.seed))
    burn_in = round(1 / WEEK)
    rows = [fixed(world, months, burn_in) for months in FIXED]
    for months, (visits, out) in zip(FIXED, rows, strict=True):
        print(f"every {months:2d} months   {visits:5.2f} visits a meter-year  {out:6.2%} out")
    rules = [(f"at {target:.0%}", {"target": target}) for target in args.targets]
    rules += [(f"by cost, {days:g} days", {"days": days}) for days in args.days]
    for name, rule in rules:
        started = time.process_time()
        visits, out = ours(world, burn_in, **rule)
        need = at_same_share(out, rows)
        told = f"{visits / need:.2f} of the {need:.2f} of fixed intervals" if need else "no match"
        print(
            f"ours {name:16s} {visits:5.2f} visits a meter-year  {out:6.2%} out   {told}"
            f"   ({time.process_time() - started:.0f} s CPU)",
            flush=True,
        )


if __name__ == "__main__":
    main()
