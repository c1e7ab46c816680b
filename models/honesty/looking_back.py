"""Forecast every past bench session from what was known before it.

The fleet model is refitted at each quarter's start, and whenever the records have grown by
half, on what was known then: hyperparameters, weights and alarms. Between two fits each
session day is forecast from everything known before that day. A session's forecast is of the
found value: the meter's gain error, the mass set, place and crank as far as they are unknown,
and the session's own noise.

How: the day's sessions enter the model with almost no weight, so that they do not change it, and
the model's leave-one-out prediction of them is read off. That is the exact prediction, with
every part that the model knows of.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
import polars as pl

from models.fleet import (
    Effect,
    FleetData,
    FleetFit,
    FleetSettings,
    Hyper,
    Targets,
    condition,
    fit,
    left_out,
)
from models.metrology import Array

Progress = Callable[[str], None]
Known = Callable[[datetime], FleetData]
"""Gives the data as they were known before an instant, made of nothing later."""
NO_WEIGHT = 1e-6
MOST_DAYS = 400  # with sessions, beyond which a whole week is forecast at once
GROWTH = 1.5  # refit when the records have grown by this factor since the last fit
FORECASTS = {
    "session_id": pl.String,
    "forecast_ln": pl.Float64,
    "sd_ln": pl.Float64,
    "found_ln": pl.Float64,
    "fitted_on": pl.Date,
    "side_walk_ln": pl.Float64,
    "side_drift_ln": pl.Float64,
}


@dataclass(frozen=True)
class Wave:
    """Sessions that are forecast together, from everything known before an instant."""

    known_until: datetime
    sessions: pl.DataFrame


def forecasts(
    bench: pl.DataFrame,
    known: Known,
    options: FleetSettings,
    *,
    workers: Executor | None = None,
    progress: Progress | None = None,
) -> pl.DataFrame:
    """Return a forecast of every bench session from what was known before it, 100·ln.

    In   bench: the sessions, as in the fleet model's data; workers: take a wave each
    Out  session_id, forecast_ln, sd_ln (of the found value, its own noise included), found_ln,
         fitted_on (the day up to which hyperparameters rest on data), side_walk_ln and
         side_drift_ln (spread of what a meter of this group wanders in a year, and of its drift a
         year), in time's order
    """
    tasks = _tasks(bench, known, options, progress)
    parts = list((workers.map if workers else map)(_forecast_wave, tasks))
    return pl.concat(parts) if parts else pl.DataFrame(schema=FORECASTS)


def _tasks(
    bench: pl.DataFrame, known: Known, options: FleetSettings, progress: Progress | None
) -> Iterator[_Task]:
    """Yield what each wave's forecast needs, with the fit before it; fits are made in time's order.

    Each begins from the one before.
    """
    latest: _Fitted | None = None
    for wave in waves(bench):
        then = known(wave.known_until)
        if latest is None or latest.outdated(wave.known_until, then):
            latest = _Fitted.to(known, wave.known_until, options, latest)
            if progress is not None:
                progress(f"forecasting from what was known on {latest.on.isoformat()}")
        yield _Task(then, wave, latest.kept(), options)


def waves(bench: pl.DataFrame) -> Iterator[Wave]:
    """Yield the sessions of each day, with what was known when the day began.

    A meter's second session on a day is a wave of its own, known: all before it. Where there are
    more days than MOST_DAYS, weeks stand for them: known is what was known on their Monday.
    """
    own_day = pl.col("at").dt.date()
    many = bench.select(own_day.n_unique()).item() > MOST_DAYS if bench.height else False
    start = own_day.dt.truncate("1w") if many else own_day
    dated = (
        bench.sort("at", "session_id")
        .with_columns(turn=pl.int_range(pl.len()).over("meter_id", start))
        .with_columns(day=pl.when(pl.col("turn") == 0).then(start).otherwise(own_day))
        .sort("day", "turn", maintain_order=True)
    )
    for (day, turn), sessions in dated.group_by("day", "turn", maintain_order=True):
        morning = datetime.combine(day, time(), tzinfo=UTC)
        first = sessions["at"].min()
        assert isinstance(first, datetime)
        yield Wave(morning if turn == 0 else first, sessions.drop("day", "turn"))


def before(data: FleetData, instant: datetime) -> FleetData:
    """Return the data dated strictly before an instant; events count from the day after theirs."""
    moment = instant - timedelta(microseconds=1)
    known = data.until(moment)
    return replace(known, events=data.events.filter(pl.col("on") < instant.date()))


@dataclass(frozen=True)
class _Fitted:
    """The latest fit, and what it rested on."""

    on: date
    n: int
    fleet: FleetFit

    @classmethod
    def to(
        cls, known: Known, instant: datetime, options: FleetSettings, earlier: _Fitted | None
    ) -> _Fitted:
        """Fit to what was known at the start of the instant's quarter, or now.

        Now if the records have grown by half since the quarter began.
        """
        start = _quarter(instant.date())
        then, now = known(datetime.combine(start, time(), tzinfo=UTC)), known(instant)
        if _size(now) >= GROWTH * max(_size(then), 1):
            start, then = instant.date(), now
        fleet = fit(
            then, today=start, settings=options, start=earlier.fleet.hyper if earlier else None
        )
        return cls(start, _size(then), fleet)

    def kept(self) -> _Kept:
        """Return what the forecasts take over."""
        fleet = self.fleet
        return _Kept(self.on, fleet.hyper, fleet.effects, fleet.weights)

    def outdated(self, instant: datetime, known: FleetData) -> bool:
        """Tell whether a new quarter has begun, or the records have grown by half."""
        return _quarter(instant.date()) > self.on or _size(known) >= GROWTH * max(self.n, 1)


@dataclass(frozen=True)
class _Kept:
    """What is carried of a fit to the days after it."""

    on: date
    hyper: Hyper
    effects: list[Effect]
    weights: pl.DataFrame


@dataclass(frozen=True)
class _Task:
    """A wave with all that its forecast rests on."""

    known: FleetData
    wave: Wave
    latest: _Kept
    options: FleetSettings


def _size(data: FleetData) -> int:
    return data.bench.height + data.comparisons.height


def _quarter(day: date) -> date:
    return date(day.year, 3 * ((day.month - 1) // 3) + 1, 1)


def _forecast_wave(task: _Task) -> pl.DataFrame:
    """Return leave-one-out predictions of sessions that carry no weight."""
    wave, latest = task.wave, task.latest
    ids = wave.sessions["session_id"]
    weightless = pl.DataFrame({"kind": "bench", "id": ids, "weight": NO_WEIGHT, "scale": 1.0})
    weights = pl.concat([latest.weights.select(weightless.columns), weightless])
    fleet = condition(
        replace(task.known, bench=pl.concat([task.known.bench, wave.sessions])),
        latest.hyper,
        today=wave.known_until.date(),
        settings=task.options,
        effects=latest.effects,
        weights=weights,
    )
    rows = np.array([fleet.prepared.session_rows[name] for name in ids], dtype=np.int64)
    state = fleet.posterior.state
    out = left_out(state)
    obs = fleet.prepared.obs
    targets = Targets(["meter"] * rows.size, obs.owner[rows], obs.t[rows])
    variance = out.others[rows] + out.noise[rows] + _hyper_variance(fleet, targets)
    found = wave.sessions["found"].to_numpy()
    group = fleet.prepared.devices.group[obs.owner[rows]]
    return pl.DataFrame(
        {
            "session_id": ids,
            "forecast_ln": found - out.residual[rows],
            "sd_ln": np.sqrt(variance),
            "found_ln": found,
            "fitted_on": latest.on,
            "side_walk_ln": fleet.hyper.sd("walk")[group],
            "side_drift_ln": fleet.hyper.sd("drift")[group],
        },
        schema=FORECASTS,
    )


def _hyper_variance(fleet: FleetFit, targets: Targets) -> Array:
    """Return what not knowing the hyperparameters adds, to first order, [targets]."""
    posterior = fleet.posterior
    J = posterior.predict(targets).J[:, : len(posterior.active)]
    return np.asarray(np.einsum("ti,ij,tj->t", J, posterior.hyper_covariance, J))
