"""How a fleet's meters behave, as the fit knows it: what policies are simulated with.

A meter's state, in 100·ln:

    s  error of the meter: drifts, wanders, steps at battery swaps, less what resets took off
    d  its drift            b  pair effect of its ride comparisons
    c  what bench sessions share for this meter: mass set, place, crank
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import polars as pl

from models.fleet import FleetData, FleetFit, Hyper, Posterior
from models.metrology import DAYS_A_YEAR, Array, Index, ln_from_percent
from models.season import session_uncertainty

WEEK = 7.0 / DAYS_A_YEAR


@dataclass(frozen=True)
class ProcessParameters:
    """How N meters behave; means and variances in 100·ln, times in years.

    start, drift [N] means of the first error and the drift; line [N, 2, 2] their covariance;
    walk2, swap2 [N] variances a year and a swap; swap_step, swap_every [N]; pair2, pair_walk2 [N]
    variance of the pair effect and of its wander a year; ride2, bench2 [N] noise variances of a
    comparison and a session; shared2 [N] of what a meter's sessions share; rides [N] a year;
    tolerance [N], 100·ln; knock_rate [N] a year and knock2 [N], the mean square of a knock: what
    a forecast watches for (0: it does not); group [N] which meters age alike
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
    knock_rate: Array
    knock2: Array
    group: Index

    def __len__(self) -> int:
        return self.start.size


@dataclass(frozen=True)
class DataSummary:
    """What the records say of N meters beside the hyperparameters.

    group [N]; rides [N] comparisons a year, ride_u their usual standard uncertainty; random2,
    shared2 [N] variances of a session that are its own and that the meter's sessions share;
    wander: variance that a year adds to what is known of a reference; swap_every, tolerance [N]
    """

    group: Index
    rides: Array
    ride_u: float
    random2: Array
    shared2: Array
    wander: float
    swap_every: Array
    tolerance: Array


def data_summary(fleet: FleetFit, meters: pl.DataFrame, data: FleetData) -> DataSummary:
    """Return what the records say of meters of the fit. In: meters: meter_id, tolerance_pct."""
    known = {name: i for i, name in enumerate(fleet.prepared.devices.meters)}
    index = np.array([known[name] for name in meters["meter_id"]], dtype=np.int64)
    group = fleet.prepared.devices.group[index]
    rides, ride_u = _rides(data, meters["meter_id"].to_list(), fleet)
    total = session_uncertainty(fleet, meters, data.bench) ** 2
    extra = fleet.hyper.sd("bench")[group] ** 2
    usual = data.bench["u_session"].median() if data.bench.height else None
    random = min(float(usual) if isinstance(usual, float) else 0.25, 1e3) ** 2
    random2 = np.minimum(random, total)
    return DataSummary(
        group=group,
        rides=rides,
        ride_u=ride_u,
        random2=random2,
        shared2=np.maximum(total - random2 - extra, 0.0),
        wander=_reference_wander(fleet),
        swap_every=np.minimum(fleet.posterior.outlook.interval[index], 50.0),
        tolerance=ln_from_percent(meters["tolerance_pct"].cast(pl.Float64).to_numpy()),
    )


def process_parameters(
    fleet: FleetFit, summary: DataSummary, *, rng: np.random.Generator | None = None
) -> ProcessParameters:
    """Return how the fleet's meters would behave if each were a new one of its group.

    At the fit's own values, or with rng drawn from what it knows of them.
    """
    posterior, group = fleet.posterior, summary.group
    hyper, mean = posterior.hyper, _group_means(posterior, rng)
    if rng is not None:
        hyper = _drawn(posterior, hyper, rng)
    swaps = posterior.layout.population.swap >= 0
    return ProcessParameters(
        start=mean["start"][group],
        drift=mean["drift"][group],
        line=hyper.line_covariance()[group],
        walk2=hyper.sd("walk")[group] ** 2,
        swap2=hyper.sd("swap")[group] ** 2 * swaps,
        swap_step=mean["swap"][group],
        swap_every=summary.swap_every,
        pair2=hyper.sd("pair")[group] ** 2,
        pair_walk2=np.full(group.size, summary.wander),
        ride2=hyper.sd("ride")[group] ** 2 + summary.ride_u**2,
        bench2=summary.random2 + hyper.sd("bench")[group] ** 2,
        shared2=summary.shared2,
        rides=summary.rides,
        tolerance=summary.tolerance,
        knock_rate=np.zeros(group.size),
        knock2=np.zeros(group.size),
        group=group,
    )


def joined(parts: Sequence[ProcessParameters]) -> ProcessParameters:
    """Return several fleets side by side; their groups stay apart."""
    most = 1 + max(int(part.group.max(initial=0)) for part in parts)
    apart = [part.group + k * most for k, part in enumerate(parts)]
    names = [field.name for field in fields(ProcessParameters) if field.name != "group"]
    whole = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    return ProcessParameters(**whole, group=np.concatenate(apart))


def _drawn(posterior: Posterior, hyper: Hyper, rng: np.random.Generator) -> Hyper:
    if hyper.covariance is None or not len(posterior.active):
        return hyper
    moved = hyper.values.copy()
    moved[posterior.active] = rng.multivariate_normal(
        moved[posterior.active], hyper.covariance, check_valid="ignore"
    )
    return hyper.moved(moved)


def _group_means(posterior: Posterior, rng: np.random.Generator | None) -> dict[str, Array]:
    """Return the mean start, drift and battery step of each group [groups]."""
    p = posterior.layout.population
    u = posterior.state.mean
    if rng is not None:
        columns = np.unique(np.concatenate([p.start, [p.drift], p.drift_of, [p.swap], p.swap_of]))
        columns = columns[columns >= 0]
        u = u.copy()
        cov = posterior.state.C[np.ix_(columns, columns)]
        u[columns] = rng.multivariate_normal(u[columns], cov, check_valid="ignore")
    zero = np.zeros(p.start.size)
    drift = u[p.drift] + np.where(p.drift_of >= 0, u[p.drift_of], 0.0)
    swap = zero if p.swap < 0 else u[p.swap] + np.where(p.swap_of >= 0, u[p.swap_of], 0.0)
    return {"start": u[p.start], "drift": drift, "swap": swap}


def _rides(data: FleetData, meter_ids: list[str], fleet: FleetFit) -> tuple[Array, float]:
    """Return each meter's comparisons a year since its first, and their usual uncertainty."""
    if data.comparisons.is_empty():
        return np.zeros(len(meter_ids)), 0.3
    counted = data.comparisons.group_by("meter_id").agg(
        n=pl.len(),
        years=(pl.lit(fleet.today) - pl.col("at").dt.date().min()).dt.total_days() / DAYS_A_YEAR,
    )
    rate = {m: n / max(years, 0.5) for m, n, years in counted.iter_rows()}
    usual = data.comparisons["u"].median()
    return (
        np.array([min(rate.get(name, 0.0), 52.0) for name in meter_ids]),
        float(usual) if isinstance(usual, float) else 0.3,
    )


def _reference_wander(fleet: FleetFit) -> float:
    """Return the variance that a year adds to what is known of a reference.

    The mean over references of the posterior variance of their change over the last year.
    """
    found = []
    for name in fleet.prepared.devices.references:
        ago = fleet.today.replace(year=fleet.today.year - 1, day=min(fleet.today.day, 28))
        device = ("reference", name)
        _, cov = fleet.joint([(device, ago), (device, fleet.today)])
        found.append(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1])
    return float(np.mean(found)) if found else 0.0
