"""The whole chain on tables in memory: evaluate, follow the slopes, fit, look ahead.

Pure: tables in, `Assessment` out; `run.py` brings the tables and keeps the results.
"""

from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta

import numpy as np
import polars as pl

from ingest.schema import confirmed
from models import honesty, status
from models.ageing import Budget, Limits, control_charts, drift_table, limits_from_budget
from models.bench import SESSION_SCHEMA, evaluate_bench, session_frame
from models.coaching import Road, notice_frame, notices
from models.fleet import FleetData, FleetFit, FleetSettings, Workers, fit
from models.metrology import noon
from models.records import (
    Records,
    Settings,
    Tables,
    roster,
    with_riders,
    with_zero_alarms,
)
from models.rides import RESULT_SCHEMA
from models.run.known.form import MODEL
from models.run.known.past import compared, seen_of
from models.status import (
    INFO_SCHEMA,
    Snapshot,
    course_days,
    findings,
    side_halves,
    trainer_changes,
)

SEED = 1987  # of the shares' intervals, so that a fit made twice says the same
NOTICE_DAYS = 396


@dataclass(frozen=True)
class Evaluated:
    """What bench sessions and comparisons found: session_results and comparison_results."""

    sessions: pl.DataFrame
    comparisons: pl.DataFrame

    def covers(self, tables: Tables, pairs: pl.DataFrame | None) -> bool:
        """Whether these are the sessions and comparisons of the tables, no more and no fewer, in
        today's form (an earlier version of the program may have kept other columns)."""
        if not set(SESSION_SCHEMA) <= set(self.sessions.columns):
            return False
        if not set(RESULT_SCHEMA) <= set(self.comparisons.columns):
            return False
        ridden = [tables["comparisons"]["comparison_id"]]
        ridden += [pairs["comparison_id"]] if pairs is not None else []
        return _same_ids(self.sessions["session_id"], tables["bench"]["session_id"]) and _same_ids(
            self.comparisons["comparison_id"], pl.concat(ridden)
        )


def _same_ids(found: pl.Series, wanted: pl.Series) -> bool:
    return found.unique().sort().equals(wanted.unique().sort())


def evaluate(
    tables: Tables,
    settings: Settings,
    *,
    incomplete: frozenset[str] = frozenset(),
    pairs: pl.DataFrame | None = None,
) -> Evaluated:
    """Evaluate every bench session and comparison.

    In   tables: cut to the day (`roster.up_to`); incomplete: sessions that lost rows; pairs:
         comparison_results of recordings
    """
    sessions = session_frame(
        evaluate_bench(
            tables, tolerance_pct=settings.tolerance_pct, incomplete=incomplete, in_order=True
        )
    )
    return Evaluated(sessions, compared(tables, pairs))


def records(
    tables: Tables,
    evaluated: Evaluated,
    *,
    everything: Tables,
    as_of: date,
    settings: Settings,
) -> Records:
    """Return what is known on a day.

    In   tables: cut to the day (`roster.up_to`); everything: uncut, for who is in the fleet
    """
    meters = with_riders(
        roster(everything, as_of=as_of, tolerance_pct=settings.tolerance_pct),
        tables["assignments"],
        as_of=as_of,
    )
    seen = seen_of(tables, evaluated.sessions, evaluated.comparisons, meters, settings)
    return Records(
        as_of,
        meters,
        evaluated.sessions,
        seen.comparisons,
        seen.resets,
        seen.course,
        tables["events"],
        {name: tables[name] for name in ("assignments", "riders", "events")},
        seen.data,
        tables["installations"],
        tables["mass_sets"],
        seen.jumps,
        _with_tolerance(tables["references"], seen.data, settings.tolerance_pct),
    )


def _with_tolerance(listed: pl.DataFrame, data: FleetData, tolerance_pct: float) -> pl.DataFrame:
    """Every reference that is no meter of the fleet: reference_id, tolerance_pct (its stated
    accuracy, else the team's tolerance)."""
    meters = data.meters["meter_id"].to_list()
    return (
        data.references.filter(~pl.col("meter_id").is_in(meters).fill_null(False))
        .select("reference_id")
        .join(listed.select("reference_id", "stated_accuracy_pct"), on="reference_id", how="left")
        .select(
            "reference_id",
            tolerance_pct=pl.col("stated_accuracy_pct").cast(pl.Float64).fill_null(tolerance_pct),
        )
        .sort("reference_id")
    )


def fitted(found: Records, settings: Settings, workers: Workers | None = None) -> FleetFit:
    """Return the fleet model on the records; workers keep the meters' part of it meanwhile."""
    return fit(
        found.data,
        today=found.as_of,
        settings=FleetSettings(false_alarms_per_season=settings.false_alarms_per_season),
        workers=workers,
    )


def last_data_on(found: Records) -> date | None:
    """Return the day of the newest record that the fit rests on."""
    days = [
        found.sessions["measured_at"].max(),
        found.comparisons["measured_at"].max(),
        found.events["date"].max(),
    ]
    known = [d.date() if isinstance(d, datetime) else d for d in days if isinstance(d, date)]
    return max(known, default=None)


@dataclass(frozen=True)
class Made:
    """When a fit was made, how long it took, and which version of the data it saw."""

    fitted_at: datetime
    seconds: float
    data_version: int


def points_per_season(found: Records) -> float:
    """Return the fleet's observations in 365 days, at the rate of the last year's data."""
    at = pl.concat([found.data.bench["at"], found.data.comparisons["at"]]).drop_nulls()
    newest, oldest = at.max(), at.min()
    if not isinstance(newest, datetime) or not isinstance(oldest, datetime):
        return 0.0
    days = min(365.0, max(30.0, (newest - oldest).days))
    recent = at.filter(at > newest - timedelta(days=days))
    return 365.0 * recent.len() / days


def chart_limits(settings: Settings, points: float) -> Budget:
    """Return limits of the control charts from the false-alarm budget and the data rate."""
    return limits_from_budget(settings.false_alarms_per_season, max(points, 1.0))


def charts_of(observed: pl.DataFrame, limits: Limits) -> pl.DataFrame:
    """Return individuals, EWMA and CUSUM of every meter's standardized innovations."""
    innovations = observed.select("meter_id", "at", "kind", "id", z="standardized")
    return control_charts(innovations, limits)


def snapshot_of(
    found: Records,
    fleet: FleetFit,
    settings: Settings,
    *,
    made: Made,
    population: pl.DataFrame,
) -> Snapshot:
    """Return what is kept of a fit. population: the drift table by group, from `drift_by_group`."""
    last = last_data_on(found)
    origin = min(found.as_of, last) if last else found.as_of
    days = course_days(origin, found.as_of)
    ids = found.meters["meter_id"].to_list()
    mean, sd = fleet.forecast(origin, days.astype(np.float64))
    innovations = fleet.innovations()
    limits = chart_limits(settings, points_per_season(found)).limits
    info = {
        "as_of": found.as_of,
        "origin": origin,
        "last_data_on": last,
        "fitted_at": made.fitted_at,
        "converged": fleet.converged,
        "message": fleet.message,
        "seconds": made.seconds,
        "data_version": made.data_version,
        "hyper": fleet.hyper.document(),
        "effects": [asdict(effect) for effect in fleet.effects],
        "points_per_season": points_per_season(found),
        "model": MODEL,
    }
    return Snapshot(
        info=pl.DataFrame([info], schema_overrides=INFO_SCHEMA),
        meters=_with_latest(found, fleet),
        courses=status.courses(ids, days, mean, sd),
        devices=_devices(found, fleet),
        trainers=trainer_changes(found.references, fleet, as_of=found.as_of),
        alarms=with_zero_alarms(fleet.alarms, found.zero_steps),
        weights=fleet.weights,
        population=population,
        checks=honesty.checks(innovations),
        shares=fleet.variance_components(rng=np.random.default_rng(SEED)),
        detection=honesty.detection(innovations, limits),
        power=fleet.step_power(),
        notices=_notices(found, fleet),
        findings=findings(found, fleet),
    )


def drift_by_group(found: Records) -> pl.DataFrame:
    """Return the drift table by group."""
    return drift_table(
        found.sessions, found.course, found.meters, _swaps(found.events), today=found.as_of
    )


def _notices(found: Records, fleet: FleetFit) -> pl.DataFrame:
    first = found.as_of - timedelta(days=NOTICE_DAYS)
    last, steps = found.as_of, found.zero_steps
    road = Road(fleet, found.meters, found.installations, found.told["assignments"])
    told = notices(
        fleet, found.told, found.course, first=first, last=last, zero_steps=steps, road=road
    )
    return notice_frame(told)


def _swaps(events: pl.DataFrame) -> pl.DataFrame:
    return events.filter(
        (pl.col("event") == "battery_swap") & pl.col("meter_id").is_not_null() & confirmed()
    )


def _with_latest(found: Records, fleet: FleetFit) -> pl.DataFrame:
    """Return the roster, with each meter's drift and the days of its last used records."""
    used = fleet.weights.filter("used")
    benched = found.data.bench.join(
        used.filter(pl.col("kind") == "bench"), left_on="session_id", right_on="id", how="semi"
    )
    ridden = found.data.comparisons.join(
        used.filter(pl.col("kind") == "comparison"),
        left_on="comparison_id",
        right_on="id",
        how="semi",
    )
    latest = [
        frame.group_by("meter_id").agg(pl.col("at").max().dt.date().alias(name))
        for frame, name in ((benched, "last_bench"), (ridden, "last_comparison"))
    ]
    return (
        found.meters.join(fleet.drift(), on="meter_id", how="left", maintain_order="left")
        .join(fleet.temperature_coefficients(), on="meter_id", how="left", maintain_order="left")
        .join(latest[0], on="meter_id", how="left", maintain_order="left")
        .join(latest[1], on="meter_id", how="left", maintain_order="left")
        .join(side_halves(found.sessions, fleet), on="meter_id", how="left", maintain_order="left")
    )


DEVICE_SCHEMA = {
    "device_kind": pl.String,
    "device_id": pl.String,
    "kind": pl.String,
    "mean_ln": pl.Float64,
    "sd_ln": pl.Float64,
}


def _devices(found: Records, fleet: FleetFit) -> pl.DataFrame:
    """Today's gain error of references (kind: what they are) and mass sets (kind: how their
    masses are known)."""
    references = found.data.references.select("reference_id", "kind").iter_rows()
    benches = found.data.benches.select("bench_id", "source").iter_rows()
    named = [("reference", *row) for row in references] + [("bench", *row) for row in benches]
    if not named:
        return pl.DataFrame(schema=DEVICE_SCHEMA)
    mean, sd = fleet.gain_error([(what, name) for what, name, _ in named], noon(found.as_of))
    return pl.DataFrame(
        [(*row, float(m), float(s)) for row, m, s in zip(named, mean, sd, strict=True)],
        schema=DEVICE_SCHEMA,
        orient="row",
    )


def observed_days(found: Records, meter_id: str) -> list[datetime]:
    """Instants at which `history` shows a meter: each month's start, each observation, each
    reset and the day before it, from its first day in service to the day of the fit."""
    bench = found.data.bench.filter(pl.col("meter_id") == meter_id)["at"].to_list()
    rides = found.data.comparisons.filter(pl.col("meter_id") == meter_id)["at"].to_list()
    resets = found.course.filter(pl.col("meter_id") == meter_id)["at"].to_list()
    start = found.meters.filter(pl.col("meter_id") == meter_id)["in_service_on"].item()
    first = min([noon(start), *bench, *rides])
    months = [
        noon(date(year, month, 1))
        for year in range(first.year, found.as_of.year + 1)
        for month in range(1, 13)
    ]
    end = noon(found.as_of)
    wanted = {*bench, *rides, *resets, *(r - timedelta(days=1) for r in resets), first, end}
    wanted |= {month for month in months if first <= month <= end}
    return sorted(wanted)
