"""Simulate fleets of meters under policies that choose their bench visits.

Every policy meets the same meters, rides and noise. Each meter starts with a bench session; six
years pass, week by week, of which the last four count. A session finds s + c + noise
(`meter_process.py` names the state) and resets the slope if that exceeds its expanded
uncertainty.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.metrology import Array, Mask
from models.policies.kalman_filter import BENCH, PAIR, KalmanFilter
from models.policies.meter_process import WEEK, ProcessParameters, joined
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
    policies: Sequence[Policy], draws: Draws, *, true: ProcessParameters, assumed: ProcessParameters
) -> list[Outcome]:
    """Return what each policy makes of the draws; the first years do not count.

    policies: all look at forecasts, or none; true: gives the tolerance; assumed: what the policies'
    model takes for true
    """
    fleet = _SimulatedFleets(policies, draws, true, assumed)
    weeks = len(draws.moves)
    counted = round(BURN_IN / WEEK)
    visits, out = np.zeros((2, len(policies) * len(true)))
    for week in range(weeks):
        visited = fleet.visit(week)
        share = fleet.ride(week)
        if week >= counted:
            visits += visited
            out += share
    visits, out = visits / ((weeks - counted) * WEEK), out / (weeks - counted)
    return [Outcome(visits[at], out[at]) for at in fleet.at]


class _SimulatedFleets:
    """N meters under each of K policies: the meters of one after those of another, [K·N]."""

    def __init__(
        self,
        policies: Sequence[Policy],
        draws: Draws,
        true: ProcessParameters,
        assumed: ProcessParameters,
    ) -> None:
        n, self.k = len(true), len(policies)
        self.at = [slice(i * n, (i + 1) * n) for i in range(self.k)]
        self.draws, self.assumed = draws, assumed
        self.s, self.d, self.b, self.c = np.tile(draws.first, self.k)
        self.state = KalmanFilter(joined([assumed] * self.k)) if policies[0].forecasts else None
        self.decide = [policy.make(assumed) for policy in policies]
        self.tolerance, self.bench2 = self._each(true.tolerance), self._each(assumed.bench2)
        self.ride2 = self._each(assumed.ride2)
        self.u = np.sqrt(self.bench2 + self._each(assumed.shared2))
        self.since, self.gap, self.share = np.full((3, self.k * n), np.nan)
        self.sensor, self.reset = np.zeros((2, self.k * n))
        self.due = np.ones(self.k * n, dtype=np.bool_)

    def _each(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return the same values for each policy's meters."""
        return np.tile(values, self.k)

    def visit(self, week: int) -> Mask:
        """Bench the meters that are due, reset those found off; return who came."""
        due, found = self.due, self.s + self.c + self._each(self.draws.bench_noise[week])
        self.sensor = np.where(due, found + self.reset, self.sensor)
        taken = np.where(due & (np.abs(found) > COVERAGE_FACTOR * self.u), found, 0.0)
        self.s -= taken
        self.reset += taken
        if self.state is not None:
            self.state.update(due, found, BENCH, self.bench2)
            self.state.mean[:, 0] -= taken
        self.share = np.where(due, found / self.tolerance, self.share)
        self.gap = np.where(due, self.since, self.gap)
        self.since = np.where(due, 0.0, self.since)
        return due

    def ride(self, week: int) -> Array:
        """Let a week pass and ask who is due next; return the share of it out of tolerance."""
        draws = self.draws
        before = np.abs(self.s) > self.tolerance
        self.s += self.d * WEEK + self._each(draws.moves[week])
        self.b += self._each(draws.pair_moves[week])
        after = np.abs(self.s) > self.tolerance
        self.since += 1
        p = np.ones(self.s.size)
        if self.state is not None:
            self.state.predict(self._each(draws.swapped[week]))
            shown = self.s + self.b + self._each(draws.ride_noise[week])
            self.state.update(self._each(draws.rode[week]), shown, PAIR, self.ride2)
            p = self.state.p_within()
        decided = zip(self.decide, self.at, strict=True)
        self.due = np.concatenate([decide(self._seen(at, p)) for decide, at in decided])
        return np.asarray((before.astype(np.float64) + after) / 2)

    def _seen(self, at: slice, p: Array) -> Seen:
        """Return what the policy of some meters may look at."""
        return Seen(
            self.due[at],
            self.since[at],
            self.share[at],
            gap=self.gap[at],
            sensor=self.sensor[at],
            reset=self.reset[at],
            p=p[at],
            state=self.state and self.state.part(at, self.assumed),
        )
