"""What would have been forecast for every past bench session, against what was found.

The fleet model is fitted anew at each quarter's start, and whenever the records have grown by
half, on what was known then: hyperparameters, weights and alarms. Between two fits each
session day is forecast from everything known before that day. A session's forecast is of the
found value: the meter's gain error, the mass set, place and crank as far as they are unknown,
and the session's own noise.

How: the day's sessions enter the model with next to no weight, so that they tell it nothing, and
the model's leave-one-out prediction of them is read off. That is the exact prediction, with
every part that the model knows of.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from models.fleet import FleetData, FleetFit, FleetSettings, Targets, condition, fit, left_out
from models.honesty.scoring import reliability_table, score_hindcast
from models.metrology import Z90, Array, percent_from_ln, percent_sd
from models.status import p_within
from models.wording import chance

if TYPE_CHECKING:
    from models.records import Records, Settings

Progress = Callable[[str], None]
NO_WEIGHT = 1e-6
MOST_DAYS = 400  # with sessions, beyond which a whole week is forecast at once
GROWTH = 1.5  # fit anew when the records have grown by so much since the last fit
FORECASTS = {
    "session_id": pl.String,
    "forecast_ln": pl.Float64,
    "sd_ln": pl.Float64,
    "found_ln": pl.Float64,
    "fitted_on": pl.Date,
}


@dataclass(frozen=True)
class Wave:
    """Sessions that are forecast together, from everything known before an instant."""

    known_until: datetime
    sessions: pl.DataFrame


def hindcast(
    found: Records, settings: Settings, *, progress: Progress | None = None
) -> dict[str, Any]:
    """The `hindcast` document.

    In   found: the evaluated records; every as-found session among them that can be evaluated
         is forecast. progress: told about each fit
    Out  n, coverage90 with its interval, brier, bias_pct, sessions, by_group, reliability
         (of those said to be within tolerance with p, how many were), left_out (sessions
         without a forecast, and why)
    """
    options = FleetSettings(false_alarms_per_season=settings.false_alarms_per_season)
    rows = forecasts(found.data, options, progress=progress)
    return hindcast_document(rows, found)


def forecasts(
    data: FleetData, options: FleetSettings, *, progress: Progress | None = None
) -> pl.DataFrame:
    """A forecast of every bench session from the data before it, 100·ln.

    Out  session_id, forecast_ln, sd_ln (of the found value, its own noise included), found_ln,
         fitted_on (the day up to which hyperparameters rest on data), in time's order
    """
    complete = data.completed()
    latest: _Fitted | None = None
    parts = []
    for wave in waves(complete.bench):
        known = before(complete, wave.known_until)
        if latest is None or latest.outdated(wave.known_until, known):
            latest = _Fitted.to(known, wave.known_until, options, latest)
            if progress is not None:
                progress(f"forecasting from what was known on {latest.on.isoformat()}")
        parts.append(_forecast_wave(known, wave, latest, options))
    return pl.concat(parts) if parts else pl.DataFrame(schema=FORECASTS)


def waves(bench: pl.DataFrame) -> Iterator[Wave]:
    """The sessions of each day, known: what was known when the day began.

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
    """The data dated strictly before an instant; an event of a day before the day's end is one
    of that day, and days before the instant's count."""
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
        cls, known: FleetData, instant: datetime, options: FleetSettings, earlier: _Fitted | None
    ) -> _Fitted:
        """Fit to what was known at the start of the instant's quarter, or now if that is less
        than half of it."""
        start = _quarter(instant.date())
        then = before(known, datetime.combine(start, time(), tzinfo=UTC))
        if _size(known) >= GROWTH * max(_size(then), 1):
            start, then = instant.date(), known
        fleet = fit(
            then, today=start, settings=options, start=earlier.fleet.hyper if earlier else None
        )
        return cls(start, _size(then), fleet)

    def outdated(self, instant: datetime, known: FleetData) -> bool:
        """Whether a new quarter has begun, or the records have grown by half."""
        return _quarter(instant.date()) > self.on or _size(known) >= GROWTH * max(self.n, 1)


def _size(data: FleetData) -> int:
    return data.bench.height + data.comparisons.height


def _quarter(day: date) -> date:
    return date(day.year, 3 * ((day.month - 1) // 3) + 1, 1)


def _forecast_wave(
    known: FleetData, wave: Wave, latest: _Fitted, options: FleetSettings
) -> pl.DataFrame:
    """Leave-one-out predictions of sessions that carry no weight."""
    ids = wave.sessions["session_id"]
    weightless = pl.DataFrame({"kind": "bench", "id": ids, "weight": NO_WEIGHT})
    weights = pl.concat([latest.fleet.weights.select("kind", "id", "weight"), weightless])
    fleet = condition(
        replace(known, bench=pl.concat([known.bench, wave.sessions])),
        latest.fleet.hyper,
        today=wave.known_until.date(),
        settings=options,
        effects=latest.fleet.effects,
        weights=weights,
    )
    rows = np.array([fleet.prepared.session_rows[name] for name in ids], dtype=np.int64)
    state = fleet.posterior.state
    out = left_out(state)
    obs = fleet.prepared.obs
    targets = Targets(["meter"] * rows.size, obs.owner[rows], obs.t[rows])
    variance = out.others[rows] + out.noise[rows] + _hyper_variance(fleet, targets)
    found = wave.sessions["found"].to_numpy()
    return pl.DataFrame(
        {
            "session_id": ids,
            "forecast_ln": found - out.residual[rows],
            "sd_ln": np.sqrt(variance),
            "found_ln": found,
            "fitted_on": latest.on,
        },
        schema=FORECASTS,
    )


def _hyper_variance(fleet: FleetFit, targets: Targets) -> Array:
    """What not knowing the hyperparameters adds, to first order."""
    J = fleet.posterior.predict(targets).J
    return np.asarray(np.einsum("ti,ij,tj->t", J, fleet.posterior.hyper_covariance, J))


# --- the document -----------------------------------------------------------------------------


def hindcast_document(rows: pl.DataFrame, found: Records) -> dict[str, Any]:
    """Scores and rows from forecasts (as `forecasts` gives them), in plain percent."""
    told = _in_percent(rows, found)
    total = score_hindcast(told).row(0, named=True)
    happened = told["found_pct"].abs() <= told["tolerance_pct"]
    reliability = reliability_table(told["p_within_tolerance"].to_numpy(), happened.to_numpy())
    sessions = told.select(
        "session_id",
        "meter_id",
        "date",
        "forecast_pct",
        "forecast_sd_pct",
        "found_pct",
        "p_within_tolerance",
        "inside90",
        "tolerance_pct",
        "group",
        "fitted_on",
    )
    return total | {
        "text": _sentence(total),
        "by_group": score_hindcast(told, by="group").to_dicts() if told.height else [],
        "reliability": reliability.to_dicts(),
        "sessions": sessions.to_dicts(),
        "left_out": _left_out(found, rows),
    }


def _in_percent(rows: pl.DataFrame, found: Records) -> pl.DataFrame:
    about = found.meters.select("meter_id", "group", "tolerance_pct")
    sessions = found.sessions.select("session_id", "meter_id", date=pl.col("measured_at").dt.date())
    told = (
        rows.join(sessions, on="session_id", how="inner", maintain_order="left")
        .join(about, on="meter_id", how="left", maintain_order="left")
        .with_columns(
            forecast_pct=percent_from_ln(pl.col("forecast_ln")),
            forecast_sd_pct=percent_sd(pl.col("forecast_ln"), pl.col("sd_ln")),
            found_pct=percent_from_ln(pl.col("found_ln")),
        )
    )
    p = p_within(
        *(
            told[name].cast(pl.Float64).to_numpy()
            for name in ("forecast_pct", "forecast_sd_pct", "tolerance_pct")
        )
    )
    miss = (pl.col("found_pct") - pl.col("forecast_pct")).abs()
    return told.with_columns(
        p_within_tolerance=pl.Series(p, dtype=pl.Float64),
        inside90=miss <= Z90 * pl.col("forecast_sd_pct"),
    )


def _left_out(found: Records, rows: pl.DataFrame) -> list[dict[str, Any]]:
    """Sessions without a forecast, and why."""
    rest = found.sessions.join(rows, on="session_id", how="anti").sort("measured_at")
    return [
        {
            "session_id": row["session_id"],
            "meter_id": row["meter_id"],
            "reason": "no as-found reading under load could be evaluated"
            if row["gain_error_ln"] is None or not math.isfinite(row["gain_error_ln"])
            else "this meter shows torque only when turning: hung masses prove nothing",
        }
        for row in rest.select("session_id", "meter_id", "gain_error_ln").to_dicts()
    ]


def _sentence(total: dict[str, Any]) -> str:
    if not total["n"]:
        return "No bench session to forecast yet."
    if total["coverage90"] is None:
        return f"{total['n']} sessions, none of which could be forecast."
    verdict = (
        "as they should"
        if total["coverage90_lo"] <= 0.90 <= total["coverage90_hi"]
        else "too seldom: the forecasts were too sure of themselves"
        if total["coverage90"] < 0.90
        else "too often: the forecasts were more careful than need be"
    )
    held = f"Of {total['n']} bench sessions {chance(total['coverage90'])} found what had been"
    bias = f"On average they found {total['bias_pct']:+.2f} % against the forecast."
    return f"{held} forecast with a chance of 90 %, {verdict}. {bias}"
