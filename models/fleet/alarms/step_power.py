"""Say how likely an unrecorded step of a meter is named within some months, from the fit itself.

A step that happened h months before the last record is judged by what each meter has shown since:
with information I of a step there (see scan_meters) its statistic is normal about size · √I, and
it is named beyond the limit that the false-alarm budget sets.
"""

from typing import NamedTuple

import numpy as np
import polars as pl

from ingest.schema import frame_schema
from models.fleet.alarms.alarm_budget import budget_for, entry_limit, step_limit
from models.fleet.alarms.odds_adjustments import odds_adjustments_of
from models.fleet.alarms.scan_meters import (
    BatchStatistics,
    batch_statistics,
    step_scans,
    step_statistics,
)
from models.fleet.alarms.search_state import own_steps
from models.fleet.design import Effect, Observations, Prepared
from models.fleet.inference import NORMAL, State
from models.metrology import Array, ln_from_percent

SIZES_PCT = (0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
MONTHS = (3, 6, 12)
_FEW = 2
_IN_USE_YEARS = 1.0


class _Power(NamedTuple):
    """A row of the frame."""

    months: int
    step_pct: float
    found: float
    n_meters: int


SCHEMA = frame_schema(_Power)


def step_power_frame(prepared: Prepared, state: State, effects: list[Effect]) -> pl.DataFrame:
    """Return the probability that a lasting step is named by the last record.

    Out  months (since the step), step_pct, found (the mean over the meters, 0 … 1), n_meters: with
         a record in the year before the last and one before the step
    """
    from scipy.special import ndtr

    seen = batch_statistics(state, own_steps(prepared, effects))
    limit, few = _limits(prepared, seen)
    rows = []
    for months in MONTHS:
        at = float(prepared.obs.t.max(initial=0.0)) - months / 12
        known = [_known_since(view, prepared.obs, at) for view in seen]
        info, left = (np.concatenate([k[i] for k in known] or [np.zeros(0)]) for i in (0, 1))
        needed = np.where(left <= _FEW, max(few, limit), limit)
        for size in SIZES_PCT if len(info) else ():
            shift = ln_from_percent(size) * np.sqrt(info)
            found = np.where(left > 0, ndtr(shift - needed) + ndtr(-shift - needed), 0.0)
            rows.append(_Power(months, size, float(np.mean(found)), len(info)))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _limits(prepared: Prepared, seen: list[BatchStatistics]) -> tuple[float, float]:
    """Return the limits of |z| for a step, and for one that two records at most speak for."""
    t, adjustments = prepared.obs.t, odds_adjustments_of(prepared)
    years = float(np.ptp(t)) if len(t) else 0.0
    budget = budget_for(prepared.settings.false_alarms_per_season, years)
    n = int(prepared.obs.is_bench.sum())
    few = entry_limit(budget, n, adjustments, NORMAL, noise_share=1.0)
    return step_limit(budget, [step_scans(seen, prepared.obs)], adjustments), few


def _known_since(view: BatchStatistics, obs: Observations, at: float) -> tuple[Array, Array]:
    """Return the information of a step at an instant, and how many records speak for it.

    Of the meters in use that were known before. A ride alone speaks for none.
    """
    t = np.where(view.mask > 0, obs.t[view.rows], np.inf)
    first = (t < at).sum(axis=1)
    n = view.mask.sum(axis=1).astype(np.int64)
    last = obs.t[view.rows[np.arange(len(n)), n - 1]]
    in_use = (first > 0) & (last > obs.t.max() - _IN_USE_YEARS)
    _, info, _ = step_statistics(view.P, view.alpha)
    place = np.minimum(first, n - 1)
    lone = (n - first == 1) & ~obs.is_bench[view.rows[np.arange(len(n)), n - 1]]
    left = np.where(lone, 0, n - first).astype(np.float64)
    known: Array = np.maximum(info[np.arange(len(n)), place], 0.0)
    return known[in_use], left[in_use]
