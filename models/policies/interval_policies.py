"""The interval methods of ILAC-G24 / OIML D 10 as policies (`intervals.py` explains them)."""

from itertools import count

import numpy as np
from scipy.special import ndtri

from models.metrology import Mask
from models.policies.interval_rules import (
    FIRST_DAYS,
    LEAST_DAYS,
    LEAST_SESSIONS,
    MOST_DAYS,
    Lines,
    reliability_interval,
    staircase_step,
)
from models.policies.meter_process import WEEK, ProcessParameters
from models.policies.rules import Decide, Policy, Seen


def staircase() -> Policy:
    """Return intervals that grow after a result well inside and shrink after one outside."""

    def make(assumed: ProcessParameters) -> Decide:
        days = np.full(len(assumed), FIRST_DAYS)

        def decide(seen: Seen) -> Mask:
            days[:] = staircase_step(days, np.where(seen.visited, np.abs(seen.share), np.nan))
            return np.asarray(seen.since * 7 >= days - 3.5)

        return decide

    return Policy("method", "staircase", "staircase", make)


def reliability(target: float) -> Policy:
    """Return one interval a group: after which the target share is still within tolerance.

    From the share found within so far (half a count added to either side) and the mean gap
    between visits, by the exponential model.
    """

    def make(assumed: ProcessParameters) -> Decide:
        group = assumed.group
        visits, inside, gaps = np.zeros((3, len(assumed)))  # a row a group is enough

        def decide(seen: Seen) -> Mask:
            again = seen.visited & np.isfinite(seen.gap)
            np.add.at(visits, group[again], 1.0)
            np.add.at(inside, group[again], np.abs(seen.share[again]) <= 1.0)
            np.add.at(gaps, group[again], 7 * seen.gap[again])
            share, gap = (inside + 0.5) / (visits + 1.0), gaps / np.maximum(visits, 1.0)
            days = np.clip(reliability_interval(gap, share, target), LEAST_DAYS, MOST_DAYS)
            days = np.where(visits > 0, days, FIRST_DAYS)
            return np.asarray(seen.since * 7 >= days[group] - 3.5)

        return decide

    name = "reliability by group"
    return Policy("method", f"{name}, {100 * target:.0f} %", name, make)


def control_chart(target: float) -> Policy:
    """Return visits when the meter's own line, with its uncertainty, may leave the tolerance.

    A line through what its sessions found, the scatter pooled over its group.
    """
    wide = float(ndtri(target))

    def make(assumed: ProcessParameters) -> Decide:
        lines, weeks = Lines(assumed.group), count()

        def decide(seen: Seen) -> Mask:
            week, fresh, days = next(weeks), np.flatnonzero(seen.visited), seen.since * 7
            lines.add(fresh, np.full(fresh.size, week * WEEK), seen.sensor[fresh])
            line = lines.fit()
            error, u = (x[:, 0] for x in line.at(np.full((len(assumed), 1), (week + 1) * WEEK)))
            out = np.abs(error - seen.reset) + wide * line.scatter * u > assumed.tolerance
            few = (line.n < LEAST_SESSIONS) | ~np.isfinite(line.scatter * u)
            come = np.where(few, days >= FIRST_DAYS - 3.5, out & (days >= LEAST_DAYS))
            return np.asarray(come | (days >= MOST_DAYS))

        return decide

    return Policy("method", f"control chart, {100 * target:.0f} %", "control chart", make)
