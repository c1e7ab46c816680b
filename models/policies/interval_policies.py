"""The interval methods of ILAC-G24 / OIML D 10 as policies (`intervals.py` explains them)."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from models.metrology import Array, Mask, ln_from_percent
from models.policies.intervals import IntervalSettings
from models.policies.rules import Decide, Now, Policy
from models.policies.simulation_state import WEEK


def staircase(settings: IntervalSettings | None = None) -> Policy:
    """Intervals that grow after a result well inside and shrink after one outside (ILAC-G24)."""
    s = settings or IntervalSettings()

    def make(n: int) -> Decide:
        days = np.full(n, s.first_days)

        def decide(now: Now) -> Mask:
            fresh, share = now.fresh, np.abs(now.found)
            factor = np.where(share <= s.inside, s.longer, np.where(share > 1, s.shorter, 1.0))
            days[fresh] = np.clip(days * factor, s.least_days, s.most_days)[fresh]
            return np.asarray(now.since * 7 >= days - 3.5)

        return decide

    return Policy("method", "staircase", make)


def reliability(target: float, settings: IntervalSettings | None = None) -> Policy:
    """One interval a group: after which the target share is still within tolerance.

    From the share found within so far (half a count added to either side) and the mean gap
    between visits, by the exponential model.
    """
    s = settings or IntervalSettings()

    def make(n: int) -> Decide:
        visits, inside, gaps = np.zeros(n), np.zeros(n), np.zeros(n)  # a row a group is enough

        def decide(now: Now) -> Mask:
            group = now.nature.group
            again = now.fresh & np.isfinite(now.gap)
            np.add.at(visits, group[again], 1.0)
            np.add.at(inside, group[again], np.abs(now.found[again]) <= 1.0)
            np.add.at(gaps, group[again], 7 * now.gap[again])
            share = (inside + 0.5) / (visits + 1.0)
            days = gaps / np.maximum(visits, 1.0) * np.log(target) / np.log(share)
            days = np.where(visits > 0, np.clip(days, s.least_days, s.most_days), s.first_days)
            return np.asarray(now.since * 7 >= days[group] - 3.5)

        return decide

    return Policy("method", f"reliability by group, {100 * target:.0f} %", make)


def control_chart(target: float, settings: IntervalSettings | None = None) -> Policy:
    """Each meter's own line through what its sessions found, the scatter pooled over its group;
    to the bench when the line, with its uncertainty, may leave the tolerance."""
    s, wide = settings or IntervalSettings(), float(ndtri(target))

    def make(n: int) -> Decide:
        lines = _Lines(n)

        def decide(now: Now) -> Mask:
            lines.add(now)
            error, sd = lines.ahead(now)
            limit = ln_from_percent(now.nature.tolerance)
            days = now.since * 7
            out = np.abs(error - now.left) + wide * sd > limit
            few = (lines.n < s.least_sessions) | ~np.isfinite(sd)
            come = np.where(few, days >= s.first_days - 3.5, out & (days >= s.least_days))
            return np.asarray(come | (days >= s.most_days))

        return decide

    return Policy("method", f"control chart, {100 * target:.0f} %", make)


class _Lines:
    """Running least-squares lines of N meters."""

    def __init__(self, n: int) -> None:
        self.n = np.zeros(n)
        self.week = 0
        self.sums = np.zeros((5, n))  # t, y, tt, ty, yy

    def add(self, now: Now) -> None:
        """A week passes; what was found in it joins the lines."""
        k = np.flatnonzero(now.fresh)
        t, y = self.week * WEEK, now.sensor[k]
        self.n[k] += 1
        self.sums[:, k] += np.stack([np.full(k.size, t), y, np.full(k.size, t * t), t * y, y * y])
        self.week += 1

    def ahead(self, now: Now) -> tuple[Array, Array]:
        """Each line now, and its standard uncertainty (nan: no line yet)."""
        t, y, tt, ty, yy = self.sums / np.maximum(self.n, 1.0)
        Sxx, Sxy, Syy = (self.n * x for x in (tt - t * t, ty - t * y, yy - y * y))
        slope = np.divide(Sxy, Sxx, out=np.zeros_like(Sxx), where=Sxx > 1e-9)
        dof = np.maximum(self.n - 2.0, 0.0)
        group = now.nature.group
        rss = np.bincount(group, np.maximum(Syy - slope * Sxy, 0.0) * (dof > 0), self.n.size)
        freedom = np.bincount(group, dof, self.n.size)
        with np.errstate(invalid="ignore", divide="ignore"):
            sd = np.sqrt(rss / freedom)[group]
            x = self.week * WEEK - t
            return y + slope * x, sd * np.sqrt(1 / self.n + x**2 / np.maximum(Sxx, 1e-9))
