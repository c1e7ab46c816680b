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

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.due import p_within
from models.fleet import FleetData, FleetFit
from models.fleet.predict import Posterior
from models.intervals import IntervalSettings
from models.season_risk import COVERAGE_FACTOR, session_uncertainty

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
WEEK = 7.0 / 365.25
YEARS = 4.0  # that count
BURN_IN = 2.0  # years before them
FLEETS = 24  # simulated ones
TARGETS = (0.70, 0.80, 0.90, 0.95, 0.98)
FIXED_MONTHS = (3, 6, 9, 12, 18, 24)
VISIT_DAYS = 7.0  # ridden out of tolerance cost as much as a visit, where no costs are known
SWAP_SPREAD = 0.35  # sd of an interval between battery swaps over its mean
WEEKS_A_MONTH = 365.25 / 12 / 7


@dataclass(frozen=True)
class Nature:
    """How N meters behave; standard deviations and means in 100·ln, times in years.

    start, drift [N] means of the first error and the drift; line [N, 2, 2] their covariance;
    walk2, swap2 [N] variances a year and a swap; swap_step, swap_every [N]; pair2, pair_walk2 [N]
    variance of the pair effect and of its wander a year; ride2, bench2 [N] noise variances of a
    comparison and a session; shared2 [N] of what a meter's sessions share; rides [N] a year;
    tolerance [N]
    """

    start: Array
    drift: Array
    line: Array
    walk2: Array
    swap2: Array
    swap_step: Array
    swap_every: Array
    pair2: Array
    pair_walk2: Array
    ride2: Array
    bench2: Array
    shared2: Array
    rides: Array
    tolerance: Array

    def __len__(self) -> int:
        return self.start.size


@dataclass(frozen=True)
class Now:
    """What a policy may look at in a week: whether the meter was at the bench in it, weeks since
    each meter's last visit and what that found over the tolerance, the forecast probability
    and the whole belief behind it (None for policies that do not look at forecasts)."""

    fresh: Flags
    since: Array
    found: Array
    p: Array
    belief: Belief | None = None


Decide = Callable[[Now], Flags]


@dataclass(frozen=True)
class Policy:
    """A name, and a maker of its rule (rules may remember)."""

    name: str
    make: Callable[[int], Decide]
    believes: bool = False  # looks at forecasts


# --- policies ---------------------------------------------------------------------------------


def every_months(months: float) -> Policy:
    """A fixed interval; the first one is cut short so that the meters come one after another."""
    weeks = max(1.0, months * WEEKS_A_MONTH)

    def make(n: int) -> Decide:
        wait = weeks * (np.arange(n) + 0.5) / n

        def decide(now: Now) -> Flags:
            wait[:] -= 1.0
            come = wait < 0.5
            wait[come] += weeks
            return come

        return decide

    return Policy(f"every {months:g} months", make)


def staircase(settings: IntervalSettings | None = None) -> Policy:
    """Intervals that grow after a result well inside and shrink after one outside (ILAC-G24)."""
    s = settings or IntervalSettings()

    def make(n: int) -> Decide:
        days = np.full(n, s.first_days)

        def decide(now: Now) -> Flags:
            fresh, share = now.fresh, np.abs(now.found)
            factor = np.where(share <= s.inside, s.longer, np.where(share > 1, s.shorter, 1.0))
            days[fresh] = np.clip(days * factor, s.least_days, s.most_days)[fresh]
            return np.asarray(now.since * 7 >= days - 3.5)

        return decide

    return Policy("staircase", make)


def ours(target: float) -> Policy:
    """To the bench as soon as the chance of being within tolerance falls below the target."""

    def make(n: int) -> Decide:
        del n
        return lambda now: now.p < target

    return Policy(f"ours, target {100 * target:.0f} %", make, believes=True)


def ours_by_cost(days: float) -> Policy:
    """To the bench when the risk of the day outweighs the cheapest average that visits can buy.

    days: ridden out of tolerance that cost as much as a visit. A meter's cheapest average is
    min over T of (visit + expected days out until T) / T after a visit now: the rule of age
    replacement, with the risk as forecast.
    """

    def make(n: int) -> Decide:
        rate, turn = np.zeros(n), iter(range(10**9))

        def decide(now: Now) -> Flags:
            if now.belief is None:
                return np.zeros(n, dtype=np.bool_)
            if next(turn) % 4 == 0:
                rate[:] = cheapest_average(now.belief, days)
            return np.asarray(1 - now.p >= rate)

        return decide

    return Policy(f"ours, by cost ({days:.1f} days a visit)", make, believes=True)


def cheapest_average(belief: Belief, days: Array | float) -> Array:
    """Least average cost of each meter with visits at equal intervals, in days out of tolerance
    a day, [N]; the first visit is now, intervals up to four years are tried."""
    nature, P = belief.nature, belief.P
    ahead = np.arange(1, 53) * 4 * WEEK
    PH = P[:, :, 0] + P[:, :, 3]
    S = PH[:, 0] + PH[:, 3] + nature.bench2
    start = P[:, 0, 0] - PH[:, 0] ** 2 / S + (PH[:, 0] / S - 1) ** 2 * S
    tie, rate = P[:, 0, 1] - PH[:, 0] * PH[:, 1] / S, P[:, 1, 1] - PH[:, 1] ** 2 / S
    mean = (belief.mean[:, 1] + nature.swap_step / nature.swap_every)[:, None] * ahead
    wander = nature.walk2 + nature.swap2 / nature.swap_every
    variance = start[:, None] + (2 * tie + wander)[:, None] * ahead + rate[:, None] * ahead**2
    risk = 1 - p_within(mean, np.sqrt(np.maximum(variance, 1e-12)), nature.tolerance[:, None])
    lost = np.cumsum(risk, axis=1) * 28
    visit = np.broadcast_to(days, lost.shape[:1])[:, None]
    return np.asarray(((visit + lost) / (ahead * 365.25)).min(axis=1))


# --- nature -----------------------------------------------------------------------------------


def natures(
    fleet: FleetFit,
    meters: pl.DataFrame,
    data: FleetData,
    *,
    rng: np.random.Generator | None = None,
) -> Nature:
    """The fleet's meters as new ones of their groups would behave.

    At the fit's own values, or with rng drawn from what it knows of them. In: meters: meter_id,
    tolerance_pct, of meters of the fit.
    """
    posterior = fleet.posterior
    hyper, u = posterior.hyper, posterior.state.mean
    if rng is not None:
        u = rng.multivariate_normal(u, posterior.state.C, method="cholesky", check_valid="ignore")
        if hyper.covariance is not None and len(posterior.active):
            moved = hyper.values.copy()
            moved[posterior.active] = rng.multivariate_normal(
                moved[posterior.active], hyper.covariance, check_valid="ignore"
            )
            hyper = hyper.moved(moved)
    known = {name: i for i, name in enumerate(fleet.prepared.devices.meters)}
    index = np.array([known[name] for name in meters["meter_id"]], dtype=np.int64)
    group = fleet.prepared.devices.group[index]
    mean = _group_means(posterior, u)
    rides, ride_u = _rides(data, meters["meter_id"].to_list(), fleet)
    bench2, shared2 = _sessions(fleet, meters, data.bench, hyper.sd("bench")[group])
    wander = np.full(index.size, _reference_wander(fleet))
    return Nature(
        start=mean["start"][group],
        drift=mean["drift"][group],
        line=hyper.line_covariance()[group],
        walk2=hyper.sd("walk")[group] ** 2,
        swap2=hyper.sd("swap")[group] ** 2 if posterior.layout.population.swap >= 0 else 0 * rides,
        swap_step=mean["swap"][group],
        swap_every=np.minimum(posterior.outlook.interval[index], 50.0),
        pair2=hyper.sd("pair")[group] ** 2,
        pair_walk2=wander,
        ride2=hyper.sd("ride")[group] ** 2 + ride_u**2,
        bench2=bench2,
        shared2=shared2,
        rides=rides,
        tolerance=meters["tolerance_pct"].cast(pl.Float64).to_numpy(),
    )


def _group_means(posterior: Posterior, u: Array) -> dict[str, Array]:
    """Mean start, drift and battery step of each group from the shared effects."""
    p = posterior.layout.population
    zero = np.zeros(p.start.size)
    drift = u[p.drift] + np.where(p.drift_of >= 0, u[p.drift_of], 0.0)
    swap = zero if p.swap < 0 else u[p.swap] + np.where(p.swap_of >= 0, u[p.swap_of], 0.0)
    return {"start": u[p.start], "drift": drift, "swap": swap}


def _rides(data: FleetData, meter_ids: list[str], fleet: FleetFit) -> tuple[Array, float]:
    """Comparisons a year of each meter since its first, and their usual standard uncertainty."""
    if data.comparisons.is_empty():
        return np.zeros(len(meter_ids)), 0.3
    counted = data.comparisons.group_by("meter_id").agg(
        n=pl.len(),
        years=(pl.lit(fleet.today) - pl.col("at").dt.date().min()).dt.total_days() / 365.25,
    )
    rate = {m: n / max(years, 0.5) for m, n, years in counted.iter_rows()}
    usual = data.comparisons["u"].median()
    return (
        np.array([min(rate.get(name, 0.0), 52.0) for name in meter_ids]),
        float(usual) if isinstance(usual, float) else 0.3,
    )


def _sessions(
    fleet: FleetFit, meters: pl.DataFrame, bench: pl.DataFrame, extra: Array
) -> tuple[Array, Array]:
    """Variances of a session's own noise and of what a meter's sessions share."""
    total = session_uncertainty(fleet, meters, bench) ** 2
    usual = bench["u_session"].median() if bench.height else None
    own = np.full(total.size, float(usual) if isinstance(usual, float) else 0.25)
    random = np.minimum(own**2, total)
    return random + extra**2, np.maximum(total - random - extra**2, 0.0)


def _reference_wander(fleet: FleetFit) -> float:
    """Variance that a year adds to what is known of a reference: the mean over references of the
    posterior variance of their change over the last year."""
    found = []
    for name in fleet.prepared.devices.references:
        ago = fleet.today.replace(year=fleet.today.year - 1, day=min(fleet.today.day, 28))
        device = ("reference", name)
        _, cov = fleet.joint([(device, ago), (device, fleet.today)])
        found.append(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1])
    return float(np.mean(found)) if found else 0.0


# --- the simulation ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Draws:
    """One run of nature, the same for every policy: [N] and [weeks, N] arrays.

    first: error, drift, pair effect, bench part; moves: what the error does in each week beyond
    its drift; swapped; rode, ride_noise: comparisons of each week; bench_noise
    """

    first: Array
    moves: Array
    pair_moves: Array
    swapped: Flags
    rode: Flags
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


def _swaps(nature: Nature, weeks: int, rng: np.random.Generator) -> Flags:
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


class Belief:
    """What the model believes of N meters: a Kalman filter of (s, d, b, c)."""

    def __init__(self, nature: Nature) -> None:
        n = len(nature)
        self.nature = nature
        self.mean = np.zeros((n, 4))
        self.mean[:, 0], self.mean[:, 1] = nature.start, nature.drift
        self.P = np.zeros((n, 4, 4))
        self.P[:, :2, :2] = nature.line
        self.P[:, 2, 2], self.P[:, 3, 3] = nature.pair2, nature.shared2

    def pass_week(self, swapped: Flags) -> None:
        """A week's drift, wander and battery swaps."""
        nature, P = self.nature, self.P
        self.mean[:, 0] += WEEK * self.mean[:, 1] + swapped * nature.swap_step
        P[:, 0, :] += WEEK * P[:, 1, :]
        P[:, :, 0] += WEEK * P[:, :, 1]
        P[:, 0, 0] += nature.walk2 * WEEK + swapped * nature.swap2
        P[:, 2, 2] += nature.pair_walk2 * WEEK

    def learn(self, which: Flags, found: Array, part: int, noise2: Array) -> None:
        """An observation of s plus another part (2: pair effect, 3: bench) with noise."""
        k = np.flatnonzero(which)
        if not k.size:
            return
        P = self.P[k]
        PH = P[:, :, 0] + P[:, :, part]
        S = PH[:, 0] + PH[:, part] + noise2[k]
        gain = PH / S[:, None]
        surprise = found[k] - self.mean[k, 0] - self.mean[k, part]
        self.mean[k] += gain * surprise[:, None]
        self.P[k] = P - gain[:, :, None] * PH[:, None, :]

    def p_within(self) -> Array:
        """Probability of each meter's error being within tolerance."""
        sd = np.sqrt(np.maximum(self.P[:, 0, 0], 0.0))
        return p_within(self.mean[:, 0], sd, self.nature.tolerance)


@dataclass(frozen=True)
class Outcome:
    """Visits a year and share of weeks out of tolerance of each meter, [N]."""

    visits: Array
    out: Array


def run(policy: Policy, draws: Draws, *, true: Nature, believed: Nature) -> Outcome:
    """One policy through one run of nature; the first years do not count.

    true: gives the tolerance and the session's noise; believed: what the policy's model holds
    """
    weeks, n = draws.moves.shape
    s, d, b, c = (row.copy() for row in draws.first)
    belief = Belief(believed) if policy.believes else None
    decide = policy.make(n)
    u = np.sqrt(believed.bench2 + believed.shared2)
    since, found = np.zeros(n), np.full(n, np.nan)
    visits, out = np.zeros(n), np.zeros(n)
    due = np.ones(n, dtype=np.bool_)
    counted = round(BURN_IN / WEEK)
    for week in range(weeks):
        seen = s + c + draws.bench_noise[week]
        undone = np.where(due & (np.abs(seen) > COVERAGE_FACTOR * u), seen, 0.0)
        s -= undone
        if belief is not None:
            belief.learn(due, seen, 3, believed.bench2)
            belief.mean[:, 0] -= undone
        found = np.where(due, seen / true.tolerance, found)
        since = np.where(due, 0.0, since)
        visits += due * (week >= counted)
        before = np.abs(s) > true.tolerance
        s += d * WEEK + draws.moves[week]
        b += draws.pair_moves[week]
        after = np.abs(s) > true.tolerance
        out += (week >= counted) * (before.astype(float) + after) / 2
        since += 1
        if belief is not None:
            belief.pass_week(draws.swapped[week])
            shown = s + b + draws.ride_noise[week]
            belief.learn(draws.rode[week], shown, 2, believed.ride2)
        p = belief.p_within() if belief is not None else np.ones(n)
        due = decide(Now(due, since, found, p, belief))
    return Outcome(visits / ((weeks - counted) * WEEK), out / (weeks - counted))


# --- the document -----------------------------------------------------------------------------


def policies_document(
    fleet: FleetFit,
    meters: pl.DataFrame,
    data: FleetData,
    *,
    rng: np.random.Generator,
    policies: Sequence[Policy] | None = None,
    fleets: int = FLEETS,
    visit_days: float = VISIT_DAYS,
) -> dict[str, Any]:
    """The `policies` document.

    In   meters: meter_id, tolerance_pct of the meters to be kept; fleets: simulated ones;
         visit_days: days ridden out of tolerance that cost as much as a visit
    Out  policies: name, visits_per_meter_year, out_of_tolerance_share, interval90 (of the share
         in a fleet of this size over four years: the middle 90 % of the simulated ones, nature's
         parameters drawn anew for each), visits_interval90; visits_saved (what a target saves
         against fixed intervals at the same share); years, fleets, text
    """
    chosen = list(policies) if policies is not None else usual_policies(visit_days)
    believed = natures(fleet, meters, data)
    results: dict[str, list[tuple[float, float]]] = {policy.name: [] for policy in chosen}
    for _ in range(fleets):
        true = natures(fleet, meters, data, rng=rng)
        draws = draw(true, BURN_IN + YEARS, rng)
        for policy in chosen:
            outcome = run(policy, draws, true=true, believed=believed)
            results[policy.name].append((float(outcome.visits.mean()), float(outcome.out.mean())))
    rows = [_row(policy, np.array(results[policy.name])) for policy in chosen]
    saved = visits_saved(rows)
    return {
        "policies": rows,
        "visits_saved": saved,
        "years": YEARS,
        "fleets": fleets,
        "meters": meters.height,
        "text": _sentence(rows, saved),
    }


def usual_policies(visit_days: float = VISIT_DAYS) -> list[Policy]:
    """Fixed intervals, the staircase, ours at several targets."""
    own = [*map(ours, TARGETS), ours_by_cost(visit_days)]
    return [*map(every_months, FIXED_MONTHS), staircase(), *own]


def _row(policy: Policy, found: Array) -> dict[str, Any]:
    visits, out = found[:, 0], found[:, 1]
    return {
        "name": policy.name,
        "visits_per_meter_year": float(visits.mean()),
        "visits_interval90": np.quantile(visits, [0.05, 0.95]).tolist(),
        "out_of_tolerance_share": float(out.mean()),
        "interval90": np.quantile(out, [0.05, 0.95]).tolist(),
    }


def visits_saved(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """What each of our targets needs in visits against fixed intervals with the same share of
    days out of tolerance (interpolated in the logarithms of both; null outside their range)."""
    fixed = sorted(
        (r["out_of_tolerance_share"], r["visits_per_meter_year"])
        for r in rows
        if r["name"].startswith("every ") and r["out_of_tolerance_share"] > 0
    )
    share, visits = np.log(np.array(fixed)).T if len(fixed) > 1 else (np.zeros(0), np.zeros(0))
    out = []
    for row in rows:
        if not row["name"].startswith("ours"):
            continue
        own = row["out_of_tolerance_share"]
        inside = share.size > 1 and own > 0 and share[0] <= np.log(own) <= share[-1]
        need = float(np.exp(np.interp(np.log(own), share, visits))) if inside else None
        ratio = row["visits_per_meter_year"] / need if need else None
        out.append({"name": row["name"], "fixed_visits_per_meter_year": need, "ratio": ratio})
    return out


def _sentence(rows: Sequence[dict[str, Any]], saved: Sequence[dict[str, Any]]) -> str:
    by_name = {row["name"]: row for row in rows}
    year = by_name.get("every 12 months")
    known = [s for s in saved if s["ratio"] is not None]
    text = ""
    if year is not None:
        text = (
            f"A visit a year leaves {year['out_of_tolerance_share']:.1%} of the days out of "
            "tolerance. "
        )
    if known:
        best = min(known, key=lambda s: s["ratio"])
        row = by_name[best["name"]]
        text += (
            f"With {best['name']}: {row['visits_per_meter_year']:.2f} visits a meter and year for "
            f"{row['out_of_tolerance_share']:.1%}; fixed intervals take "
            f"{best['fixed_visits_per_meter_year']:.2f} for the same."
        )
    return text.strip()
