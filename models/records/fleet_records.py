"""Hold what is known of a fleet on a day: tables, settings, and the evaluated records."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from models.fleet import FleetData

Tables = dict[str, pl.DataFrame]


@dataclass(frozen=True)
class Settings:
    """The store's settings that the models need."""

    tolerance_pct: float = 1.5
    reliability_target: float = 0.90
    false_alarms_per_season: float = 1.0
    time_zone: str = "UTC"


@dataclass(frozen=True)
class Records:
    """The evaluated records up to a day: frames as DEVELOPERS.md names them.

    course: the resets, and every other known change (a setting) among them
    told: the tables that say who rides what for whom: assignments, riders, events
    """

    as_of: date
    meters: pl.DataFrame
    sessions: pl.DataFrame
    comparisons: pl.DataFrame
    resets: pl.DataFrame
    course: pl.DataFrame
    events: pl.DataFrame
    told: Tables
    data: FleetData
    installations: pl.DataFrame
    mass_sets: pl.DataFrame
    zero_steps: pl.DataFrame
    references: pl.DataFrame
