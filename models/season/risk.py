"""How likely each meter is to be out of tolerance, week by week, with and without a visit.

After a visit in week v: the session finds y = e_v + noise, with e_v the meter's error then as
forecast. If |y| exceeds its expanded uncertainty the slope is reset on it (the error becomes
e − y); else the visit tells only how the meter stands. What y will be is not known yet, so the
risk after the visit is the mean over its distribution. With C the joint covariance of the
forecast errors, S = C_vv + u²:

    e_k | y ~ N(m_k + C_kv (y − m_v)/S,  C_kk − C_kv²/S)

The mass set, the place and the crank err in that session as they did in those before, which the
forecast rests on. With s their common part, y = e_v + s + noise: C_kv becomes C_kv + cov(s, e_k)
and S gains 2 cov(s, e_v), so that such an error counts once and a visit does not wash it out.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

import numpy as np
import polars as pl
from scipy.special import ndtr

from models.fleet import FleetFit
from models.metrology import Array, percent_from_ln, ratio_from_ln
from models.status import Half, p_within, worse_side

NODES = np.linspace(-3.6, 3.6, 37)  # standardized findings that stand for all of them
WEIGHTS = np.exp(-(NODES**2) / 2) / np.exp(-(NODES**2) / 2).sum()
COVERAGE_FACTOR = 2.0  # a reset needs an error beyond so many standard uncertainties
USUAL_SESSION = 0.25  # standard uncertainty of a session in %, before there is any


@dataclass(frozen=True)
class Outlook:
    """A fleet's errors at the Mondays ahead, in plain percent. M meters, W weeks.

    mean        [M, W + 1] at each week's Monday and the one after the last
    covariance  [M, W + 1, W + 1] of one meter's errors with each other
    u_session   [M] standard uncertainty of what a session finds, all its parts
    tolerance   [M]
    shared      [M, W + 1] covariance of the error with what sessions have in common
    noise2      [M] variance of a finding beyond the error, as known today
    """

    mean: Array
    covariance: Array
    u_session: Array
    tolerance: Array
    shared: Array
    noise2: Array

    @cached_property
    def p_within(self) -> Array:
        """Return the probability within tolerance at each Monday without a visit [M, W + 1]."""
        variance = np.einsum("mii->mi", self.covariance)
        return p_within(self.mean, np.sqrt(np.maximum(variance, 0.0)), self.tolerance[:, None])


def outlook(
    fleet: FleetFit,
    meters: pl.DataFrame,
    mondays: list[date],
    bench: pl.DataFrame,
    *,
    pairs: Mapping[str, Half] | None = None,
) -> Outlook:
    """Return the errors to be expected; of a pair those of its worse side.

    In   meters: meter_id, tolerance_pct; mondays: W + 1 days; bench: sessions as in FleetData;
         pairs: how far their sides lie apart, by meter_id
    """
    instants = [max(day, fleet.today) for day in mondays]
    mean, covariance, shared, noise2 = [], [], [], []
    u = session_uncertainty(fleet, meters, bench)
    own2 = session_noise2(fleet, meters, bench)
    for n_meter, name in enumerate(meters["meter_id"]):
        m_ln, c_ln = fleet.joint([(("meter", name), day) for day in instants])
        if pairs and name in pairs:
            m_ln, c_ln = worse_side(pairs[name], m_ln, c_ln, instants)
        scale = ratio_from_ln(m_ln)
        mean.append(percent_from_ln(m_ln))
        covariance.append(c_ln * np.outer(scale, scale))
        part = fleet.shared_part(name, instants)
        shared.append(np.zeros(len(instants)) if part is None else part.covariance * scale)
        noise2.append(u[n_meter] ** 2 if part is None else own2[n_meter] + part.variance)
    n = len(instants)
    return Outlook(
        np.array(mean).reshape(-1, n),
        np.array(covariance).reshape(-1, n, n),
        u,
        meters["tolerance_pct"].cast(pl.Float64).to_numpy(),
        np.array(shared).reshape(-1, n),
        np.array(noise2),
    )


def session_uncertainty(fleet: FleetFit, meters: pl.DataFrame, bench: pl.DataFrame) -> Array:
    """Return the standard uncertainty of what a coming session will find [M], %.

    The usual session's random part (the meter's own median, else the fleet's), what its group's
    sessions scatter beyond that, the mass set in use as known today, place and crank as stated.
    """
    place, crank = _median(bench, "u_place", 0.0), _median(bench, "u_crank", 0.0)
    shared = _set_sd(fleet, bench) ** 2 + place**2 + crank**2
    return np.sqrt(session_noise2(fleet, meters, bench) + shared)


def session_noise2(fleet: FleetFit, meters: pl.DataFrame, bench: pl.DataFrame) -> Array:
    """Return the variance of what is new in each session [M], %²: its own, its group's scatter."""
    usual = _median(bench, "u_session", USUAL_SESSION)
    own = dict(bench.group_by("meter_id").agg(pl.col("u_session").median()).iter_rows())
    devices = fleet.prepared.devices
    group = dict(zip(devices.meters, devices.group.tolist(), strict=True))
    extra = fleet.hyper.sd("bench")
    rows = []
    for name in meters["meter_id"]:
        u = own.get(name)
        u = usual if u is None else float(u)
        rows.append(u**2 + extra[group[name]] ** 2)
    return np.array(rows, dtype=np.float64)


def _median(bench: pl.DataFrame, column: str, default: float) -> float:
    value = bench[column].median() if bench.height else None
    return float(value) if isinstance(value, float) else default


def _set_sd(fleet: FleetFit, bench: pl.DataFrame) -> float:
    """Return the sd of the mass set that the latest named session used, as known today."""
    named = bench.filter(pl.col("bench_id").is_not_null()).sort("at")
    if named.is_empty():
        return _median(bench, "u_bench", 0.1)
    _, sd = fleet.gain_error(("bench", named["bench_id"][-1]), fleet.today)
    return float(sd[0])


def risks(ahead: Outlook) -> tuple[Array, Array]:
    """Return the risk of being out of tolerance in each week: the mean of its ends.

    Without a visit [M, W]; after a visit in the middle axis' week [M, W, W], 1 before it.
    """
    now = 1.0 - ahead.p_within
    unvisited = (now[:, :-1] + now[:, 1:]) / 2
    meters, weeks = unvisited.shape
    after = np.ones((meters, weeks, weeks))
    for m in range(meters):
        p = risk_after_visits(
            ahead.mean[m],
            ahead.covariance[m],
            ahead.u_session[m],
            ahead.tolerance[m],
            shared=ahead.shared[m],
            noise2=float(ahead.noise2[m]),
        )
        after[m] = (p[:-1, :-1] + p[:-1, 1:]) / 2
    return unvisited, after


def risk_after_visits(
    mean: Array,
    covariance: Array,
    u: float,
    tolerance: float,
    *,
    shared: Array | None = None,
    noise2: float | None = None,
) -> Array:
    """Return a meter's probability of being out at instant k after a visit at instant v [v, k].

    1 where k < v. mean [n], covariance [n, n]: its errors; u: of a session; all in percent
    shared, noise2: as in Outlook, of this meter; None: all of a session's u is new in it
    """
    joint = np.zeros(mean.size) if shared is None else shared
    beyond = u**2 if noise2 is None else noise2
    v, k = np.triu_indices(mean.size)
    C = np.maximum(np.diag(covariance), 1e-12)
    S = np.maximum(C + 2 * joint + beyond, 1e-12)
    departure = np.sqrt(S)[:, None] * NODES  # y − m_v, [v, q]
    found = mean[:, None] + departure
    undone = np.where(np.abs(found) > COVERAGE_FACTOR * u, found, 0.0)
    tied = covariance[v, k] + joint[k]
    gain = tied / S[v]  # [pairs of v ≤ k]
    after = mean[k, None] + gain[:, None] * departure[v] - undone[v]
    sd = np.sqrt(np.maximum(C[k] - tied * gain, 1e-12))[:, None]
    inside = ndtr((tolerance - after) / sd) - ndtr((-tolerance - after) / sd)
    risk = np.ones(covariance.shape)
    risk[v, k] = 1.0 - inside @ WEIGHTS
    return risk


def weeks_of(first: date, last: date) -> list[date]:
    """Return the Mondays of the weeks that hold any day of a period."""
    start = first - timedelta(days=first.weekday())
    return [start + timedelta(weeks=k) for k in range((last - start).days // 7 + 1)]
