"""Simulate fleets of meters under policies that choose their bench visits.

Every policy meets the same meters, rides and noise. Each meter starts with a bench session; six
years pass, week by week, of which the last four count. A session finds s + c + noise
(`meter_process.py` names the state) and resets the slope if that exceeds its expanded
uncertainty.
"""

from dataclasses import dataclass

import numpy as np

from models.metrology import Array, Mask
from models.policies.kalman_filter import BENCH, PAIR, KalmanFilter
from models.policies.meter_process import WEEK, ProcessParameters
from models.policies.rules import Policy, Seen
from models.season import COVERAGE_FACTOR

YEARS = 4.0  # that count
BURN_IN = 2.0  # years before them
SWAP_SPREAD = 0.35  # sd of an interval between battery swaps over its mean


@dataclass(frozen=True)
class Draws:
    """What happens to N meters, whatever the policy.

    first                 [4, N] state at the start: s, d, b, c
    moves, pair_moves     [weeks, N] change of s beyond its drift, and of b
    swapped, rode         [weeks, N] whether it got a battery, or was compared on a ride
    ride_noise            [weeks, N] of a comparison; bench_noise: [weeks + 1, N] of a session
    """

    first: Array
    moves: Array
    pair_moves: Array
    swapped: Mask
    rode: Mask
    ride_noise: Array
    bench_noise: Array


def draw(true: ProcessParameters, years: float, rng: np.random.Generator) -> Draws:
    """Draw what happens to meters over some years."""
    n, weeks = len(true), round(years / WEEK)
    root = np.linalg.cholesky(true.line + 1e-12 * np.eye(2))
    line = np.einsum("nij,nj->ni", root, rng.standard_normal((n, 2)))
    swapped = _swaps(true, weeks, rng)
    step = true.swap_step + np.sqrt(true.swap2) * rng.standard_normal((weeks, n))
    walk = np.sqrt(true.walk2 * WEEK) * rng.standard_normal((weeks, n))
    rode = rng.random((weeks, n)) < np.minimum(true.rides * WEEK, 1.0)
    return Draws(
        first=np.stack(
            [
                true.start + line[:, 0],
                true.drift + line[:, 1],
                np.sqrt(true.pair2) * rng.standard_normal(n),
                np.sqrt(true.shared2) * rng.standard_normal(n),
            ]
        ),
        moves=walk + swapped * step,
        pair_moves=np.sqrt(true.pair_walk2 * WEEK) * rng.standard_normal((weeks, n)),
        swapped=swapped,
        rode=rode,
        ride_noise=np.sqrt(true.ride2) * rng.standard_normal((weeks, n)),
        bench_noise=np.sqrt(true.bench2) * rng.standard_normal((weeks + 1, n)),
    )


def _swaps(true: ProcessParameters, weeks: int, rng: np.random.Generator) -> Mask:
    """Draw in which weeks each meter gets a battery, [weeks, N]."""
    n = len(true)
    swapped = np.zeros((weeks, n), dtype=np.bool_)
    at = true.swap_every * rng.random(n)
    while (at < weeks * WEEK).any():
        inside = np.flatnonzero(at < weeks * WEEK)
        swapped[(at[inside] / WEEK).astype(np.int64), inside] = True
        gap = true.swap_every * (1 + SWAP_SPREAD * rng.standard_normal(n))
        at = at + np.maximum(gap, WEEK)
    return swapped


@dataclass(frozen=True)
class Outcome:
    """Visits a year and share of the time out of tolerance of each meter, [N]."""

    visits: Array
    out: Array


def run(
    policy: Policy, draws: Draws, *, true: ProcessParameters, assumed: ProcessParameters
) -> Outcome:
    """Return what a policy makes of the draws; the first years do not count.

    true: gives the tolerance; assumed: what the policy's model takes for true
    """
    fleet = _SimulatedFleet(policy, draws, true, assumed)
    weeks, n = draws.moves.shape
    counted = round(BURN_IN / WEEK)
    visits, out = np.zeros(n), np.zeros(n)
    for week in range(weeks):
        visited = fleet.visit(week)
        share = fleet.ride(week)
        if week >= counted:
            visits += visited
            out += share
    return Outcome(visits / ((weeks - counted) * WEEK), out / (weeks - counted))


class _SimulatedFleet:
    """N meters under a policy."""

    def __init__(
        self, policy: Policy, draws: Draws, true: ProcessParameters, assumed: ProcessParameters
    ) -> None:
        n = len(true)
        self.draws, self.true, self.assumed = draws, true, assumed
        self.s, self.d, self.b, self.c = (row.copy() for row in draws.first)
        self.state = KalmanFilter(assumed) if policy.forecasts else None
        self.decide = policy.make(assumed)
        self.u = np.sqrt(assumed.bench2 + assumed.shared2)
        self.since, self.gap, self.share = np.full((3, n), np.nan)
        self.sensor, self.reset = np.zeros((2, n))
        self.due = np.ones(n, dtype=np.bool_)

    def visit(self, week: int) -> Mask:
        """Bench the meters that are due, reset those found off; return who came."""
        due, found = self.due, self.s + self.c + self.draws.bench_noise[week]
        self.sensor = np.where(due, found + self.reset, self.sensor)
        taken = np.where(due & (np.abs(found) > COVERAGE_FACTOR * self.u), found, 0.0)
        self.s -= taken
        self.reset += taken
        if self.state is not None:
            self.state.update(due, found, BENCH, self.assumed.bench2)
            self.state.mean[:, 0] -= taken
        self.share = np.where(due, found / self.true.tolerance, self.share)
        self.gap = np.where(due, self.since, self.gap)
        self.since = np.where(due, 0.0, self.since)
        return due

    def ride(self, week: int) -> Array:
        """Let a week pass and ask who is due next; return the share of it out of tolerance."""
        draws, tolerance = self.draws, self.true.tolerance
        before = np.abs(self.s) > tolerance
        self.s += self.d * WEEK + draws.moves[week]
        self.b += draws.pair_moves[week]
        after = np.abs(self.s) > tolerance
        self.since += 1
        p = np.ones(self.s.size)
        if self.state is not None:
            self.state.predict(draws.swapped[week])
            shown = self.s + self.b + draws.ride_noise[week]
            self.state.update(draws.rode[week], shown, PAIR, self.assumed.ride2)
            p = self.state.p_within()
        self.due = self.decide(
            Seen(
                self.due,
                self.since,
                self.share,
                gap=self.gap,
                sensor=self.sensor,
                reset=self.reset,
                p=p,
                state=self.state,
            )
        )
        return np.asarray((before.astype(np.float64) + after) / 2)
