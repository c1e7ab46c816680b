"""Convert between instants, calendar days and years of 365.25 days since 1970.

The models count time in years; a calendar day without a time of day stands for its noon (UTC),
and "up to a day" means up to its end.
"""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from models.metrology.arrays import Array

DAYS_A_YEAR = 365.25
_YEAR_US = DAYS_A_YEAR * 86400e6
_EPOCH = datetime(1970, 1, 1)


def years(values: pl.Series) -> Array:
    """Return instants, or calendar days as their noon, in years since 1970 [n]."""
    if values.dtype == pl.Date:
        days = values.cast(pl.Int32).to_numpy().astype(np.float64)
        return (days + 0.5) / DAYS_A_YEAR
    micros = values.dt.epoch("us").to_numpy().astype(np.float64)
    return micros / _YEAR_US


def year_of(when: date | datetime) -> float:
    """Return one instant in years since 1970; a calendar day counts to its end."""
    if isinstance(when, datetime):
        naive = when.replace(tzinfo=None) - (when.utcoffset() or timedelta(0))
        return (naive - _EPOCH).total_seconds() * 1e6 / _YEAR_US
    return ((when - _EPOCH.date()).days + 1 - 1e-6) / DAYS_A_YEAR


def instants(year: Array) -> pl.Series:
    """Return years since 1970 [n] as instants in UTC, to the millisecond."""
    millis = np.round(year * _YEAR_US / 1000).astype(np.int64)
    return pl.Series(millis * 1000).cast(pl.Datetime("us", "UTC"))


def date_of(year: float) -> date:
    """Return the calendar day (UTC) of an instant in years since 1970."""
    return _EPOCH.date() + timedelta(days=int(np.floor(year * DAYS_A_YEAR)))


def noon(day: date) -> datetime:
    """Return the instant that stands for a calendar day: its noon in UTC."""
    return datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
