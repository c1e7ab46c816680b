"""How many days out of tolerance each mishap in the records has cost."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from models.doubts.causes import Cause, past_of
from models.metrology import percent_from_ln, percent_sd
from models.season import days_between, exposure_of
from models.status import p_within

if TYPE_CHECKING:
    from models.fleet import FleetFit
    from models.records import Records, Tables

MISHAPS = ("step", "setting", "entry", "reset")
STEP_DAYS = 7  # between the days that are looked at


def days_caused(found: Records, fleet: FleetFit, tables: Tables) -> list[tuple[date, float]]:
    """Return when each mishap began, and the days ridden out of tolerance by it up to today.

    What the meter was likely to be out before it is taken off. In: tables: calendar, assignments
    """
    limits = dict(found.meters.select("meter_id", "tolerance_pct").iter_rows())
    gone = dict(found.meters.select("meter_id", "retired_date").iter_rows())
    known = set(fleet.prepared.devices.meters) & set(limits)
    return [
        (cause.earliest, _caused(cause, fleet, tables, limit=float(limits[meter]), last=last))
        for meter, causes in past_of(found, fleet).causes.items()
        if meter in known
        for last in [min(gone[meter] or found.as_of, found.as_of)]
        for cause in causes
        if cause.kind in MISHAPS and cause.earliest <= last
    ]


def _caused(cause: Cause, fleet: FleetFit, tables: Tables, *, limit: float, last: date) -> float:
    if cause.until is not None:
        last = min(cause.until - timedelta(days=1), last)
    days = days_between(cause.earliest, max(last, cause.earliest))
    exposure = exposure_of([cause.meter_id], days, tables["calendar"], tables["assignments"])
    ridden = exposure.ridden[0]
    looked = [cause.earliest - timedelta(days=1), *days[::STEP_DAYS]]
    mean, sd = fleet.gain_error(("meter", cause.meter_id), looked)
    out = 1 - p_within(percent_from_ln(mean), percent_sd(mean, sd), np.array(limit))
    each = np.add.reduceat(ridden, np.arange(0, len(days), STEP_DAYS))
    return max(float(out[1:] @ each - out[0] * ridden.sum()), 0.0)
