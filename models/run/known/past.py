"""Turn tables into what the fleet model takes: of all, or of what was known before an instant."""

from dataclasses import dataclass, replace
from datetime import datetime

import polars as pl

from models.fleet import FleetData
from models.honesty import before
from models.records import (
    Records,
    Settings,
    Tables,
    fleet_data,
    known_before,
    known_changes,
    slope_chain,
    with_known_changes,
    zero_candidates,
    zero_steps,
)
from models.rides import compare_steps, without_impossible


def compared(tables: Tables, pairs: pl.DataFrame | None) -> pl.DataFrame:
    """Return comparison_results of the table's steady steps and of recordings (pairs)."""
    comparisons = compare_steps(tables["comparisons"])
    if pairs is None:
        return comparisons
    return pl.concat([comparisons, pairs.drop("document")], how="diagonal_relaxed")


@dataclass(frozen=True)
class Seen:
    """What the fleet model takes, and what it was made of."""

    comparisons: pl.DataFrame
    resets: pl.DataFrame
    course: pl.DataFrame
    jumps: pl.DataFrame
    data: FleetData


def seen_of(
    tables: Tables,
    sessions: pl.DataFrame,
    comparisons: pl.DataFrame,
    meters: pl.DataFrame,
    settings: Settings,
) -> Seen:
    """Return what the fleet model takes of tables, session_results and comparison_results."""
    comparisons = without_impossible(comparisons, meters, tables["references"])
    resets = slope_chain(meters, sessions, events=tables["events"])
    jumps = zero_steps(tables["zeros"], false_alarms_per_season=settings.false_alarms_per_season)
    changes = known_changes(meters, tables["installations"], tables["events"])
    course = with_known_changes(resets, changes)
    data = fleet_data(
        tables, meters=meters, sessions=sessions, comparisons=comparisons, resets=course
    )
    data = replace(data, events=pl.concat([data.events, zero_candidates(jumps)], how="diagonal"))
    return Seen(comparisons, resets, course, jumps, data)


def data_before(
    instant: datetime,
    tables: Tables,
    *,
    pairs: pl.DataFrame | None,
    found: Records,
    settings: Settings,
) -> FleetData:
    """Return the fleet model's data as they were known before an instant, of nothing later.

    In   tables: uncut; pairs: comparison_results of recordings; found: the records of a later
         day, whose sessions each rest on days before their own
    """
    then = known_before(tables, instant)
    earlier = pl.col("measured_at") < instant
    pairs = None if pairs is None else pairs.filter(earlier)
    there = pl.col("listed") | (pl.col("in_service_on") <= instant.date())
    seen = seen_of(
        then,
        found.sessions.filter(earlier),
        compared(then, pairs),
        found.meters.filter(there),
        settings,
    )
    return before(seen.data.completed(), instant)
