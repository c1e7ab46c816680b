"""What each further bench visit buys: policies compared by simulating fleets like this one.

Nature is drawn anew for every simulated fleet from what the fit knows and does not know of its
hyperparameters and group means; the policy that looks at forecasts believes the fit's own
values, as it would in life. Every policy meets the same meters, rides and noise. Each meter
starts with a bench session; six years pass, week by week, of which the last four count:

    s  error of the meter: drifts, wanders, steps at battery swaps, less what resets took off
    d  its drift            b  pair effect of its ride comparisons
    c  what bench sessions share for this meter: mass set, place, crank

A session finds s + c + noise and resets the slope if that exceeds its expanded uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.fleet import FleetData, FleetFit
from models.metrology import DAYS_A_YEAR, Array, Mask
from models.policies.documents import PoliciesDocument, PolicyRow, VisitsSaved
from models.policies.interval_policies import control_chart, reliability, staircase
from models.policies.rules import Now, Policy, every_months, ours, ours_by_cost
from models.policies.simulation_state import (
    WEEK,
    Belief,
    Nature,
    joined,
    nature_of,
    surroundings,
)
from models.season import COVERAGE_FACTOR, Prices
from models.status import fit_state
from models.wording import share

YEARS = 4.0  # that count
BURN_IN = 2.0  # years before them
FLEETS, LEAST_FLEETS, MOST_METERS = 24, 12, 2000  # simulated fleets, and meters in all of them
TARGETS = (0.70, 0.80, 0.90, 0.95, 0.98)
FIXED_MONTHS = (3, 6, 9, 12, 18, 24)
SWAP_SPREAD = 0.35  # sd of an interval between battery swaps over its mean


@dataclass(frozen=True)
class Draws:
    """One run of nature, the same for every policy: [N] and [weeks, N] arrays.

    first: error, drift, pair effect, bench part; moves: what the error does in each week beyond
    its drift; swapped; rode, ride_noise: comparisons of each week; bench_noise
    """

    first: Array
    moves: Array
    pair_moves: Array
    swapped: Mask
    rode: Mask
    ride_noise: Array
    bench_noise: Array


def draw(nature: Nature, years: float, rng: np.random.Generator) -> Draws:
    """A run of nature."""
    n, weeks = len(nature), round(years / WEEK)
    root = np.linalg.cholesky(nature.line + 1e-12 * np.eye(2))
    line = np.einsum("nij,nj->ni", root, rng.standard_normal((n, 2)))
    swapped = _swaps(nature, weeks, rng)
    step = nature.swap_step + np.sqrt(nature.swap2) * rng.standard_normal((weeks, n))
    walk = np.sqrt(nature.walk2 * WEEK) * rng.standard_normal((weeks, n))
    rode = rng.random((weeks, n)) < np.minimum(nature.rides * WEEK, 1.0)
    return Draws(
        first=np.stack(
            [
                nature.start + line[:, 0],
                nature.drift + line[:, 1],
                np.sqrt(nature.pair2) * rng.standard_normal(n),
                np.sqrt(nature.shared2) * rng.standard_normal(n),
            ]
        ),
        moves=walk + swapped * step,
        pair_moves=np.sqrt(nature.pair_walk2 * WEEK) * rng.standard_normal((weeks, n)),
        swapped=swapped,
        rode=rode,
        ride_noise=np.sqrt(nature.ride2) * rng.standard_normal((weeks, n)),
        bench_noise=np.sqrt(nature.bench2) * rng.standard_normal((weeks + 1, n)),
    )


def _swaps(nature: Nature, weeks: int, rng: np.random.Generator) -> Mask:
    """In which weeks each meter gets a battery."""
    n = len(nature)
    swapped = np.zeros((weeks, n), dtype=np.bool_)
    at = nature.swap_every * rng.random(n)
    while (at < weeks * WEEK).any():
        inside = np.flatnonzero(at < weeks * WEEK)
        swapped[(at[inside] / WEEK).astype(np.int64), inside] = True
        gap = nature.swap_every * (1 + SWAP_SPREAD * rng.standard_normal(n))
        at = at + np.maximum(gap, WEEK)
    return swapped


@dataclass(frozen=True)
class Outcome:
    """Visits a year and share of weeks out of tolerance of each meter, [N]."""

    visits: Array
    out: Array


def run(policy: Policy, draws: Draws, *, true: Nature, believed: Nature) -> Outcome:
    """One policy through one run of nature; the first years do not count.

    true: gives the tolerance and the session's noise; believed: what the policy's model holds
    """
    team = _Team(policy, draws, true, believed)
    weeks, n = draws.moves.shape
    counted = round(BURN_IN / WEEK)
    visits, out = np.zeros(n), np.zeros(n)
    for week in range(weeks):
        due = team.at_the_bench(week)
        share = team.ride(week)
        if week >= counted:
            visits += due
            out += share
    return Outcome(visits / ((weeks - counted) * WEEK), out / (weeks - counted))


class _Team:
    """N meters under a policy."""

    def __init__(self, policy: Policy, draws: Draws, true: Nature, believed: Nature) -> None:
        n = len(true)
        self.draws, self.true, self.believed = draws, true, believed
        self.s, self.d, self.b, self.c = (row.copy() for row in draws.first)
        self.belief = Belief(believed) if policy.believes else None
        self.decide = policy.make(believed)
        self.u = np.sqrt(believed.bench2 + believed.shared2)
        self.since, self.gap = np.full(n, np.nan), np.full(n, np.nan)
        self.found, self.sensor, self.undone = np.full(n, np.nan), np.zeros(n), np.zeros(n)
        self.due = np.ones(n, dtype=np.bool_)

    def at_the_bench(self, week: int) -> Mask:
        """Whoever is due finds out, and is reset; gives who was."""
        due, seen = self.due, self.s + self.c + self.draws.bench_noise[week]
        self.sensor = np.where(due, seen + self.undone, self.sensor)
        taken = np.where(due & (np.abs(seen) > COVERAGE_FACTOR * self.u), seen, 0.0)
        self.s -= taken
        self.undone += taken
        if self.belief is not None:
            self.belief.learn(due, seen, 3, self.believed.bench2)
            self.belief.mean[:, 0] -= taken
        self.found = np.where(due, seen / self.true.tolerance, self.found)
        self.gap = np.where(due, self.since, self.gap)
        self.since = np.where(due, 0.0, self.since)
        return due

    def ride(self, week: int) -> Array:
        """A week passes; gives the share of it out of tolerance, and asks who is due next."""
        draws, tolerance = self.draws, self.true.tolerance
        before = np.abs(self.s) > tolerance
        self.s += self.d * WEEK + draws.moves[week]
        self.b += draws.pair_moves[week]
        after = np.abs(self.s) > tolerance
        fresh = self.due
        self.since += 1
        if self.belief is not None:
            self.belief.pass_week(draws.swapped[week])
            shown = self.s + self.b + draws.ride_noise[week]
            self.belief.learn(draws.rode[week], shown, 2, self.believed.ride2)
        p = self.belief.p_within() if self.belief is not None else np.ones(fresh.size)
        self.due = self.decide(
            Now(
                fresh,
                self.since,
                self.found,
                gap=self.gap,
                sensor=self.sensor,
                left=self.undone,
                p=p,
                belief=self.belief,
            )
        )
        return np.asarray((before.astype(np.float64) + after) / 2)


# --- the document -----------------------------------------------------------------------------


def policies_document(
    fleet: FleetFit,
    meters: pl.DataFrame,
    data: FleetData,
    *,
    money: Prices,
    rng: np.random.Generator,
) -> PoliciesDocument:
    """Return the `policies` document.

    In   meters: meter_id, tolerance_pct of the M meters to be kept; money: their prices
    Each simulated fleet has this one's size; nature's parameters are drawn anew for each.
    """
    fleets = max(LEAST_FLEETS, min(FLEETS, MOST_METERS // max(meters.height, 1)))
    around = surroundings(fleet, meters, data)
    true = joined([nature_of(fleet, around, rng=rng) for _ in range(fleets)])
    believed = joined([nature_of(fleet, around)] * fleets)
    draws = draw(true, BURN_IN + YEARS, rng)
    visit, day = float(np.mean(money.visit)), float(np.mean(money.day))
    rows = []
    for policy in usual_policies(float(np.mean(money.visit / money.day))):
        found = run(policy, draws, true=true, believed=believed)
        visits, out = (x.reshape(fleets, -1).mean(axis=1) for x in (found.visits, found.out))
        rows.append(_row(policy, visits, out, visit_cost=visit, day_cost=day))
    saved = visits_saved(rows)
    return {
        "policies": rows,
        "visits_saved": saved,
        "years": YEARS,
        "fleets": fleets,
        "meters": meters.height,
        "text": _sentence(rows, saved),
        "visit_cost": visit,
        "day_cost": day,
        "currency": money.currency,
        "lacks": list(money.lacks),
        "fit": fit_state(fleet),
    }


def usual_policies(visit_days: float, target: float = 0.90) -> list[Policy]:
    """Return fixed intervals, the other interval methods, ours at several targets and by cost.

    visit_days: days ridden out of tolerance that cost as much as a visit
    """
    others = [staircase(), control_chart(target), reliability(target)]
    own = [*map(ours, TARGETS), ours_by_cost(visit_days)]
    return [*map(every_months, FIXED_MONTHS), *others, *own]


def _row(
    policy: Policy, visits: Array, out: Array, *, visit_cost: float, day_cost: float
) -> PolicyRow:
    """visits, out [fleets]: visits a meter and year, share of days out of tolerance."""
    per_year, share_out = float(visits.mean()), float(out.mean())
    return {
        "name": policy.name,
        "label": policy.label,
        "kind": policy.kind,
        "visits_per_meter_year": per_year,
        "visits_interval90": np.quantile(visits, [0.05, 0.95]).tolist(),
        "out_of_tolerance_share": share_out,
        "interval90": np.quantile(out, [0.05, 0.95]).tolist(),
        "cost_per_meter_year": visit_cost * per_year + day_cost * DAYS_A_YEAR * share_out,
    }


def visits_saved(rows: Sequence[PolicyRow]) -> list[VisitsSaved]:
    """Return what fixed intervals need in visits to be out as rarely as each of ours.

    Interpolated in the logarithms of visits and of the share of days out of tolerance; None
    outside the fixed intervals' range.
    """
    fixed = sorted(
        (r["out_of_tolerance_share"], r["visits_per_meter_year"])
        for r in rows
        if r["kind"] == "fixed" and r["out_of_tolerance_share"] > 0
    )
    share, visits = np.log(np.array(fixed)).T if len(fixed) > 1 else (np.zeros(0), np.zeros(0))
    out: list[VisitsSaved] = []
    for row in rows:
        if row["kind"] not in ("target", "cost"):
            continue
        own = row["out_of_tolerance_share"]
        inside = share.size > 1 and own > 0 and share[0] <= np.log(own) <= share[-1]
        need = float(np.exp(np.interp(np.log(own), share, visits))) if inside else None
        ratio = row["visits_per_meter_year"] / need if need else None
        out.append({"name": row["name"], "fixed_visits_per_meter_year": need, "ratio": ratio})
    return out


def _sentence(rows: Sequence[PolicyRow], saved: Sequence[VisitsSaved]) -> str:
    """Say what a visit a year leaves, and which of ours saves most visits."""
    year = rows[FIXED_MONTHS.index(12)]
    text = (
        f"A visit a year leaves {share(year['out_of_tolerance_share'])} of the days out of "
        "tolerance."
    )
    known = [(s["ratio"], s) for s in saved if s["ratio"] is not None]
    if known:
        best = min(known, key=lambda pair: pair[0])[1]
        [row] = [row for row in rows if row["name"] == best["name"]]
        text += (
            f" Chosen {row['name']}, {row['visits_per_meter_year']:.2f} visits a meter and year "
            f"leave {share(row['out_of_tolerance_share'])}; fixed intervals need "
            f"{best['fixed_visits_per_meter_year']:.2f} for the same."
        )
    return text
