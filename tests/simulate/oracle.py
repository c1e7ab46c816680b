"""Exact inference on a simulated fleet with the true parameters: the best anyone could do.

Every observation is a signed sum of Gaussian processes with known means and covariances
(a meter's sensor, a reference, a mass set, a place, a crank, a pair) plus noise of known
standard deviation, so the gain errors of today follow from one dense normal conditional
(simple kriging; Rasmussen & Williams (2006) eq. 2.23-2.24). It shares no code with the fleet
model. It knows the day of an unrecorded reset, which the model does not. All errors 100·ln.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from scipy.linalg import cho_solve, cholesky, solve_triangular

from models.metrology import Array
from tests.simulate.fleet_truth import YEAR, MeterTruth
from tests.simulate.fleets import Fleet

Z90 = 1.6448536269514722


@dataclass(frozen=True)
class Told:
    """What the oracle is told besides the parameters; strikes and jumps with their sizes."""

    strikes: bool = False
    wild: bool = False
    wrong_entries: bool = False
    jumps: bool = False
    sizes: bool = True  # False: only the day of a strike or jump, its size from N(0, 3²)


EVERYTHING = Told(strikes=True, wild=True, wrong_entries=True, jumps=True)
_LEVEL_SD = 30.0  # a reference's level is as good as unknown
_STEP_SD = 3.0


@dataclass
class _Terms:
    """Where the processes enter the observations: one entry a process and observation."""

    rows: dict[str, list[int]] = field(default_factory=lambda: defaultdict(list))
    signs: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    times: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    warmth: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))

    def add(self, process: str, row: int, sign: float, t: float, warm: float = 0.0) -> None:
        self.rows[process].append(row)
        self.signs[process].append(sign)
        self.times[process].append(t)
        self.warmth[process].append(warm)


def exact_estimates(
    fleet: Fleet, *, told: Told | None = None, at: float | None = None
) -> pl.DataFrame:
    """Conditional mean and standard deviation of every meter's gain error at day `at`.

    Out  one row per meter in use: meter_id, gain_error, sd (100·ln); `at` defaults to the
         end of the data, and only observations up to it count.
    """
    told = told or Told()
    t_star = fleet.end if at is None else at
    y, noise, terms = _observations(fleet, told, t_star)
    meters = [
        m for m in fleet.truth.meters.values() if m.meter_id in fleet.truth.gain_errors(t_star)
    ]
    for k, meter in enumerate(meters):
        terms.add(f"meter {meter.meter_id}", len(y) + k, 1.0, t_star)
    n, n_all = len(y), len(y) + len(meters)
    mean, covariance = _moments(fleet, told, terms, n_all)
    K = covariance[:n, :n]
    K[np.diag_indices(n)] += noise**2
    L = cholesky(K, lower=True, overwrite_a=True, check_finite=False)
    cross = covariance[:n, n:]
    weights = cho_solve((L, True), y - mean[:n], check_finite=False)
    half = solve_triangular(L, cross, lower=True, check_finite=False)
    variance = np.diag(covariance[n:, n:]) - np.sum(half**2, axis=0)
    return pl.DataFrame(
        {
            "meter_id": [m.meter_id for m in meters],
            "gain_error": mean[n:] + cross.T @ weights,
            "sd": np.sqrt(np.maximum(variance, 0)),
        }
    )


def _observations(fleet: Fleet, told: Told, t_star: float) -> tuple[Array, Array, _Terms]:
    """Observed values (told entries corrected), noise sds, and what each is made of."""
    terms = _Terms()
    values: list[float] = []
    noise: list[float] = []
    wrong = {w.session_id: w.size for w in fleet.truth.wrong_entries} if told.wrong_entries else {}
    for row in fleet.frames["bench"].iter_rows(named=True):
        t = fleet.day_of(row["at"])
        if t > t_star:
            continue
        i, warm = len(values), row["temperature_c"] - 20.0
        values.append(row["found"] - wrong.get(row["session_id"], 0.0))
        noise.append(fleet.truth.session_noise[row["session_id"]])
        terms.add(f"meter {row['meter_id']}", i, 1.0, t, warm)
        for kind in ("bench", "place", "crank"):
            terms.add(f"{kind} {row[f'{kind}_id']}", i, 1.0, t)
        terms.add("scale of all sets", i, 1.0, t)
    wild = set(fleet.truth.wild) if told.wild else set()
    for row in fleet.frames["comparisons"].iter_rows(named=True):
        t = fleet.day_of(row["at"])
        if t > t_star or row["comparison_id"] in wild:
            continue
        i, warm = len(values), row["temperature_c"] - 20.0
        values.append(row["ratio"])
        noise.append(fleet.truth.ride_noise[row["comparison_id"]])
        terms.add(f"meter {row['meter_id']}", i, 1.0, t, warm)
        terms.add(f"pair {row['meter_id']}|{row['reference_id']}", i, 1.0, t)
        lent = fleet.truth.lent.get(row["reference_id"])
        process = f"reference {row['reference_id']}" if lent is None else f"meter {lent}"
        terms.add(process, i, -1.0, t, warm)
    return np.array(values), np.array(noise), terms


def _moments(fleet: Fleet, told: Told, terms: _Terms, n: int) -> tuple[Array, Array]:
    """Prior mean and covariance of the n observations and predictions."""
    mean, covariance = np.zeros(n), np.zeros((n, n))
    for process in terms.rows:
        kind, name = process.split(" ", 1)
        rows, signs = np.array(terms.rows[process]), np.array(terms.signs[process])
        t, warm = np.array(terms.times[process]), np.array(terms.warmth[process])
        m, C = _PROCESSES[kind](fleet, told, name, t, warm)
        np.add.at(mean, rows, signs * m)
        covariance[np.ix_(rows, rows)] += np.outer(signs, signs) * C
    return mean, covariance


def _meter(fleet: Fleet, told: Told, name: str, t: Array, warm: Array) -> tuple[Array, Array]:
    meter = fleet.truth.meters[name]
    g = meter.group
    age, swaps, p = _age(meter, t), _swaps(meter, t), np.array([meter.programmed(x) for x in t])
    mean = g.drift * age + g.battery_step * swaps + g.temperature * warm - p
    both = np.add.outer(age, age)
    C = (
        g.level_sd**2
        + g.level_drift_corr * g.level_sd * g.drift_sd * both
        + g.drift_sd**2 * np.outer(age, age)
        + g.battery_step_sd**2 * np.minimum.outer(swaps, swaps)
        + g.walk**2 * np.minimum.outer(age, age)
        + g.temperature_sd**2 * np.outer(warm, warm)
    )
    if told.strikes:
        days = [(s.day, s.size) for s in fleet.truth.strikes if s.meter_id == name]
        mean, C = _with_steps(mean, C, t, days, told)
    return mean, C


def _reference(fleet: Fleet, told: Told, name: str, t: Array, warm: Array) -> tuple[Array, Array]:
    C = _LEVEL_SD**2 + fleet.options.trainer_walk**2 * np.minimum.outer(t, t) / YEAR
    return _jumped(fleet, told, name, t, C)


def _bench(fleet: Fleet, told: Told, name: str, t: Array, warm: Array) -> tuple[Array, Array]:
    u = fleet.options.bench_u[list(fleet.truth.benches).index(name)]
    return _jumped(fleet, told, name, t, np.full((len(t), len(t)), u**2))


def _scale(fleet: Fleet, told: Told, name: str, t: Array, warm: Array) -> tuple[Array, Array]:
    return np.zeros(len(t)), np.full((len(t), len(t)), fleet.options.scale_u**2)


def _place(fleet: Fleet, told: Told, name: str, t: Array, warm: Array) -> tuple[Array, Array]:
    u = fleet.options.place_u[list(fleet.truth.places).index(name)]
    return np.zeros(len(t)), np.full((len(t), len(t)), u**2)


def _crank(fleet: Fleet, told: Told, name: str, t: Array, warm: Array) -> tuple[Array, Array]:
    return np.zeros(len(t)), np.full((len(t), len(t)), fleet.options.crank_u**2)


def _pair(fleet: Fleet, told: Told, name: str, t: Array, warm: Array) -> tuple[Array, Array]:
    return np.zeros(len(t)), np.full((len(t), len(t)), fleet.options.pair_sd**2)


_Moments = Callable[[Fleet, Told, str, Array, Array], tuple[Array, Array]]
_PROCESSES: dict[str, _Moments] = {
    "meter": _meter,
    "reference": _reference,
    "bench": _bench,
    "scale": _scale,
    "place": _place,
    "crank": _crank,
    "pair": _pair,
}


def _jumped(fleet: Fleet, told: Told, name: str, t: Array, C: Array) -> tuple[Array, Array]:
    days = [(j.day, j.size) for j in fleet.truth.jumps if j.device_id == name]
    return _with_steps(np.zeros(len(t)), C, t, days if told.jumps else [], told)


def _with_steps(
    mean: Array, C: Array, t: Array, steps: list[tuple[int, float]], told: Told
) -> tuple[Array, Array]:
    for day, size in steps:
        after = (np.floor(t) >= day).astype(float)
        if told.sizes:
            mean = mean + size * after
        else:
            C = C + _STEP_SD**2 * np.outer(after, after)
    return mean, C


def _age(meter: MeterTruth, t: Array) -> Array:
    age: Array = (np.floor(t) - meter.start) / YEAR
    return age


def _swaps(meter: MeterTruth, t: Array) -> Array:
    swaps: Array = np.searchsorted(np.array(meter.battery_days), np.floor(t), side="right").astype(
        float
    )
    return swaps


@dataclass(frozen=True)
class Score:
    """How good a set of estimates of today's gain error is; 100·ln."""

    n: int
    rmse: float
    best_rmse: float
    ratio: float
    bias: float
    coverage90: float
    inside90: int
    best_inside90: int
    sharpness: float  # mean sd over the oracle's

    def row(self) -> dict[str, Any]:
        """The score as a table row."""
        return {
            "n": self.n,
            "rmse": round(self.rmse, 4),
            "best": round(self.best_rmse, 4),
            "ratio": round(self.ratio, 3),
            "bias": round(self.bias, 3),
            "coverage90": round(self.coverage90, 3),
        }


def score(
    estimates: pl.DataFrame, fleet: Fleet, best: pl.DataFrame, *, at: float | None = None
) -> Score:
    """Compare estimates (meter_id, gain_error, sd; 100·ln) with the truth and the oracle."""
    truth = fleet.truth.gain_errors(fleet.end if at is None else at)
    table = (
        pl.DataFrame({"meter_id": list(truth), "true": list(truth.values())})
        .join(estimates.select("meter_id", "gain_error", "sd"), on="meter_id", how="left")
        .join(best.select("meter_id", best="gain_error", best_sd="sd"), on="meter_id")
    )
    missing = table.filter(pl.col("gain_error").is_null())["meter_id"].to_list()
    if missing:
        raise ValueError(f"no estimate for {missing[:5]}")
    error = (table["gain_error"] - table["true"]).to_numpy()
    best_error = (table["best"] - table["true"]).to_numpy()
    inside = np.abs(error) <= Z90 * table["sd"].to_numpy()
    best_inside = np.abs(best_error) <= Z90 * table["best_sd"].to_numpy()
    rmse, best_rmse = _rms(error), _rms(best_error)
    return Score(
        n=len(error),
        rmse=rmse,
        best_rmse=best_rmse,
        ratio=rmse / best_rmse,
        bias=float(error.mean()),
        coverage90=float(inside.mean()),
        inside90=int(inside.sum()),
        best_inside90=int(best_inside.sum()),
        sharpness=float(np.mean(table["sd"].to_numpy()) / np.mean(table["best_sd"].to_numpy())),
    )


def _rms(x: Array) -> float:
    return math.sqrt(float(np.mean(x**2)))
