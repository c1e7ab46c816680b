"""Array types and the few index tricks that the fleet model's files share."""

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

YEAR_DAYS = 365.25
_YEAR_US = YEAR_DAYS * 86400e6
_EPOCH = datetime(1970, 1, 1)


def years(values: pl.Series) -> Array:
    """Instants as years of 365.25 days since 1970; a calendar day counts from its noon."""
    if values.dtype == pl.Date:
        days = values.cast(pl.Int32).to_numpy().astype(np.float64)
        return (days + 0.5) / YEAR_DAYS
    micros = values.dt.epoch("us").to_numpy().astype(np.float64)
    return micros / _YEAR_US


def year_of(when: date | datetime) -> float:
    """The same of one instant; a plain date means the end of that day."""
    if isinstance(when, datetime):
        naive = when.replace(tzinfo=None) - (when.utcoffset() or timedelta(0))
        return (naive - _EPOCH).total_seconds() * 1e6 / _YEAR_US
    return ((when - _EPOCH.date()).days + 1 - 1e-6) / YEAR_DAYS


def instants(year: Array) -> pl.Series:
    """Years since 1970 as instants in UTC, to the millisecond."""
    millis = np.round(year * _YEAR_US / 1000).astype(np.int64)
    return pl.Series(millis * 1000).cast(pl.Datetime("us", "UTC"))


def date_of(year: float) -> date:
    """The calendar day of an instant in years since 1970."""
    return _EPOCH.date() + timedelta(days=int(np.floor(year * YEAR_DAYS)))


def codes(values: list[Any]) -> tuple[Index, list[Any]]:
    """Integer code of each value (None: -1) and the distinct values in order of appearance."""
    known: dict[Any, int] = {}
    coded = [(-1 if v is None else known.setdefault(v, len(known))) for v in values]
    return np.array(coded, dtype=np.int64), list(known)


def rows_of_each(code: Index) -> Iterator[tuple[int, Index]]:
    """Each code ≥ 0 with the rows that carry it."""
    order = np.argsort(code, kind="stable")
    if not len(code):
        return
    values, starts = np.unique(code[order], return_index=True)
    for value, rows in zip(values, np.split(order, starts[1:]), strict=True):
        if value >= 0:
            yield int(value), rows


def from_the_end(x: Array, axis: int = -1) -> Array:
    """Cumulative sums from the end: out[k] = x[k] + x[k+1] + …"""
    return np.flip(np.cumsum(np.flip(x, axis), axis), axis)


def corner_sums(M: Array) -> Array:
    """For symmetric M [B, n, n]: the sums over i ≥ k and j ≥ k, [B, n]."""
    diagonal = np.einsum("bii->bi", M)
    rows = from_the_end(M, -1)  # rows[b, k, j] = Σ_{l ≥ j} M[k, l]
    right = np.einsum("bii->bi", rows) - diagonal  # Σ_{l > k} M[k, l]
    return from_the_end(diagonal + 2 * right)
