"""The programmed slope p of each meter at any instant, and how well it is known.

p moves only at resets. Where nobody wrote a reset down, its instant is a distribution over a
gap (uniform until the data say more); p is then random inside the gap, with a mean and a
covariance that the model takes over as they are.
"""

from dataclasses import dataclass, field

import numpy as np
import polars as pl

from models.fleet.design.arrays import rows_of_each
from models.metrology import Array, Index, years


@dataclass
class Switch:
    """One change of p by `step` at an instant with the distribution function (at, share)."""

    step: float
    at: Array
    share: Array

    @property
    def certain(self) -> bool:
        """True if the instant is known."""
        return len(self.at) == 1

    def done(self, t: Array) -> Array:
        """Probability that the change has been made by t (not at that very instant)."""
        if self.certain:
            past: Array = (t > self.at[0]).astype(np.float64)
            return past
        return np.interp(t, self.at, self.share).astype(np.float64)

    def open(self, t: Array) -> bool:
        """True if some t falls inside the gap."""
        return not self.certain and bool(np.any((t > self.at[0]) & (t < self.at[-1])))


@dataclass
class Programmed:
    """The courses of p of all meters, 100·ln relative to factory."""

    base: Array
    switches: dict[int, list[Switch]] = field(default_factory=dict)

    def spread_out(self) -> None:
        """Forget what the data said of unrecorded resets: uniform over their gaps again."""
        for switches in self.switches.values():
            for s in switches:
                if not s.certain:
                    s.at, s.share = s.at[[0, -1]], np.array([0.0, 1.0])

    def mean(self, meter: Index, t: Array) -> Array:
        """Expected p of each (meter, instant) pair."""
        p = self.base[meter]
        for i, rows in rows_of_each(meter):
            for s in self.switches.get(i, []):
                p[rows] += s.step * s.done(t[rows])
        return p

    def covariance(self, meter: int, t: Array) -> Array | None:
        """Covariance of p of one meter at several instants; None if p is known at all."""
        total: Array | None = None
        for s in self.switches.get(meter, []):
            if s.open(t):
                F = s.done(t)
                C = s.step**2 * (np.minimum.outer(F, F) - np.outer(F, F))
                total = C if total is None else total + C
        return total

    def variance(self, meter: Index, t: Array) -> Array:
        """Variance of p of each (meter, instant) pair."""
        v = np.zeros(len(t))
        for i, rows in rows_of_each(meter):
            for s in self.switches.get(i, []):
                if not s.certain:
                    F = s.done(t[rows])
                    v[rows] += s.step**2 * F * (1 - F)
        return v


def programmed_slopes(meter_ids: list[str], resets: pl.DataFrame) -> Programmed:
    """Read the courses of p from the resets (a complete frame, see FleetData)."""
    index = {m: i for i, m in enumerate(meter_ids)}
    course = Programmed(np.zeros(len(meter_ids)))
    frame = resets.sort("meter_id", "at", maintain_order=True)
    start, end = years(frame["earliest"]), years(frame["latest"])
    at = years(frame["at"])
    columns = ("meter_id", "p_before", "p_after", "recorded")
    for k, (meter_id, before, after, recorded) in enumerate(frame.select(columns).iter_rows()):
        i = index[meter_id]
        if i not in course.switches:
            course.base[i] = before if before is not None else after
        last = course.base[i] + sum(s.step for s in course.switches.get(i, []))
        gap = recorded is False and np.isfinite(start[k]) and end[k] > start[k]
        where = np.array([start[k], end[k]]) if gap else np.array([at[k]])
        share = np.array([0.0, 1.0]) if gap else np.array([1.0])
        course.switches.setdefault(i, []).append(Switch(after - last, where, share))
    return course
