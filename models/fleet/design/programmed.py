"""Follow the programmed slope p of each meter: its value at any instant, and how sure that is.

p moves only at resets. Where nobody wrote a reset down, its instant is a distribution over a gap
(uniform until the data say more); p is then random inside the gap, with a mean and a covariance
that the model takes over as they are.
"""

from dataclasses import dataclass, field

import numpy as np
import polars as pl

from models.fleet.design.arrays import rows_of_each
from models.metrology import Array, Index, Mask, years


@dataclass
class SlopeChange:
    """One change of p by `step` (100·ln), at an instant that may be uncertain.

    at, share   years since 1970, and the probability that the change had been made by then;
                one row where the instant is known
    """

    step: float
    at: Array
    share: Array

    @property
    def certain(self) -> bool:
        """Tell whether the instant is known."""
        return len(self.at) == 1

    def probability_by(self, t: Array) -> Array:
        """Return the probability that the change was made before each instant."""
        if self.certain:
            past: Array = (t > self.at[0]).astype(np.float64)
            return past
        return np.interp(t, self.at, self.share).astype(np.float64)

    def uncertain_at(self, t: Array) -> bool:
        """Tell whether any instant falls inside the gap."""
        return not self.certain and bool(np.any((t > self.at[0]) & (t < self.at[-1])))


@dataclass
class Programmed:
    """The programmed slopes of all meters, 100·ln relative to factory: first values, changes."""

    base: Array
    changes: dict[int, list[SlopeChange]] = field(default_factory=dict)

    def uncertain(self) -> Mask:
        """Return which meters have a change of unknown instant, [meters]."""
        found = np.zeros(len(self.base), dtype=np.bool_)
        found[[m for m, all_ in self.changes.items() if not all(s.certain for s in all_)]] = True
        return found

    def forget_localisation(self) -> None:
        """Make the instants of unrecorded resets uniform over their gaps again."""
        for changes in self.changes.values():
            for change in changes:
                if not change.certain:
                    change.at, change.share = change.at[[0, -1]], np.array([0.0, 1.0])

    def mean(self, meter: Index, t: Array) -> Array:
        """Return the expected p of each (meter, instant) pair."""
        p = self.base[meter]
        for i, rows in rows_of_each(meter):
            for change in self.changes.get(i, []):
                p[rows] += change.step * change.probability_by(t[rows])
        return p

    def covariance(self, meter: int, t: Array) -> Array | None:
        """Return the covariance of one meter's p at n instants, [n, n]; None where p is known."""
        total: Array | None = None
        for change in self.changes.get(meter, []):
            if change.uncertain_at(t):
                F = change.probability_by(t)
                C = change.step**2 * (np.minimum.outer(F, F) - np.outer(F, F))
                total = C if total is None else total + C
        return total

    def variance(self, meter: Index, t: Array) -> Array:
        """Return the variance of p of each (meter, instant) pair."""
        v = np.zeros(len(t))
        for i, rows in rows_of_each(meter):
            for change in self.changes.get(i, []):
                if not change.certain:
                    F = change.probability_by(t[rows])
                    v[rows] += change.step**2 * F * (1 - F)
        return v


def programmed_slopes(meter_ids: list[str], resets: pl.DataFrame) -> Programmed:
    """Return the programmed slopes that the resets (completed, see FleetData) record."""
    index = {m: i for i, m in enumerate(meter_ids)}
    course = Programmed(np.zeros(len(meter_ids)))
    frame = resets.sort("meter_id", "at", maintain_order=True)
    start, end = years(frame["earliest"]), years(frame["latest"])
    at = years(frame["at"])
    columns = ("meter_id", "p_before", "p_after", "recorded")
    for k, (meter_id, before, after, recorded) in enumerate(frame.select(columns).iter_rows()):
        i = index[meter_id]
        if i not in course.changes:
            course.base[i] = before if before is not None else after
        last = course.base[i] + sum(change.step for change in course.changes.get(i, []))
        gap = recorded is False and np.isfinite(start[k]) and end[k] > start[k]
        where = np.array([start[k], end[k]]) if gap else np.array([at[k]])
        share = np.array([0.0, 1.0]) if gap else np.array([1.0])
        course.changes.setdefault(i, []).append(SlopeChange(after - last, where, share))
    return course
