"""Score the forecasts of past bench sessions, and write them down as the hindcast's document."""

import math
from concurrent.futures import Executor
from datetime import date
from typing import TypedDict, cast

import polars as pl

from models.fleet import FleetSettings
from models.honesty.looking_back import Known, Progress, forecasts
from models.honesty.pair_sides import by_worse_side
from models.honesty.scoring import Reliability, Scores, reliability_table, score_hindcast
from models.metrology import Z90, percent_from_ln, percent_sd
from models.records import Records, Settings, typed_rows
from models.status import p_within
from models.wording import chance


class GroupScores(Scores):
    """The scores of one group's sessions."""

    group: str


class SessionForecast(TypedDict):
    """One session: what was forecast of the found value (its own noise included), what was found.

    p_within_tolerance: of a pair, of its worse side; fitted_on: the day up to which the
    hyperparameters rest on data
    """

    session_id: str
    meter_id: str
    date: date
    forecast_pct: float
    forecast_sd_pct: float
    found_pct: float
    p_within_tolerance: float
    inside90: bool
    tolerance_pct: float
    group: str
    fitted_on: date


class LeftOutSession(TypedDict):
    """A session without a forecast, and why."""

    session_id: str
    meter_id: str
    reason: str


class HindcastDocument(Scores):
    """The hindcast: scores of all sessions together, by group, and each session.

    reliability: of those said to be within tolerance with p, how many were
    """

    text: str
    by_group: list[GroupScores]
    reliability: list[Reliability]
    sessions: list[SessionForecast]
    left_out: list[LeftOutSession]


def hindcast(
    found: Records,
    known: Known,
    settings: Settings,
    *,
    workers: Executor | None = None,
    progress: Progress | None = None,
) -> HindcastDocument:
    """Return the hindcast of every as-found session that can be evaluated.

    known: gives the model's data as they were known before an instant
    workers: forecast days side by side, each from the latest fit before it
    progress: told about each fit
    """
    options = FleetSettings(false_alarms_per_season=settings.false_alarms_per_season)
    bench = found.data.completed().bench
    rows = forecasts(bench, known, options, workers=workers, progress=progress)
    return hindcast_document(rows, found)


def hindcast_document(rows: pl.DataFrame, found: Records) -> HindcastDocument:
    """Return scores and rows, in plain percent, of forecasts as `forecasts` gives them."""
    told = by_worse_side(_in_percent(rows, found), found.sessions)
    total = cast("Scores", score_hindcast(told).row(0, named=True))
    by_group = score_hindcast(told, by="group").to_dicts() if told.height else []
    happened = told["worst_pct"] <= told["tolerance_pct"]
    reliability = reliability_table(told["p_within_tolerance"].to_numpy(), happened.to_numpy())
    return {
        **total,
        "text": _sentence(total),
        "by_group": cast("list[GroupScores]", by_group),
        "reliability": typed_rows(reliability, Reliability),
        "sessions": typed_rows(told, SessionForecast),
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


def _left_out(found: Records, rows: pl.DataFrame) -> list[LeftOutSession]:
    rest = found.sessions.join(rows, on="session_id", how="anti").sort("measured_at")
    return [
        {
            "session_id": session_id,
            "meter_id": meter_id,
            "reason": "no as-found reading under load could be evaluated"
            if error is None or not math.isfinite(error)
            else "this meter shows torque only when turning: hung masses prove nothing",
        }
        for session_id, meter_id, error in rest.select(
            "session_id", "meter_id", "gain_error_ln"
        ).iter_rows()
    ]


def _sentence(total: Scores) -> str:
    if not total["n"]:
        return "No bench session to forecast yet."
    coverage, low, high = (total[name] for name in ("coverage90", "coverage90_lo", "coverage90_hi"))
    if coverage is None or low is None or high is None:
        return f"{total['n']} sessions, none of which could be forecast."
    verdict = (
        "as they should"
        if low <= 0.90 <= high
        else "too seldom: the forecasts were too sure of themselves"
        if coverage < 0.90
        else "too often: the forecasts were more careful than they need to be"
    )
    held = f"Of {total['n']} bench sessions {chance(coverage)} found what had been"
    bias = f"On average they found {total['bias_pct']:+.2f} % against the forecast."
    return f"{held} forecast with a chance of 90 %, {verdict}. {bias}"
