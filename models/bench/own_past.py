"""What a meter's own past says about the error it will be found with.

A local level in 100·ln of the sensor's own sensitivity (the programmed slope taken out), one
meter at a time: enough to tell whether a found error surprises. The fleet model, which weighs
all evidence, comes after it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from models.metrology import DAYS_A_YEAR, ln_from_ratio

UNKNOWN_SD = 1.0
"""Spread of true gain errors of meters nobody has measured yet, 100·ln."""
WANDER_PER_ROOT_YEAR = 1.0
"""Standard deviation of what a meter moves in a year, 100·ln; larger than usual drift."""
ANEW = 4.0
"""Standard deviations off its expectation from which a found error starts a new level."""
SECONDS_A_YEAR = DAYS_A_YEAR * 86400


class Expectation(NamedTuple):
    """Gain error to be found, 100·ln: mean, standard deviation, whether it rests on a past."""

    mean: float
    sd: float
    known: bool


class Observed(NamedTuple):
    """One session as the past keeps it.

    found, as_left     gain errors in 100·ln, u_… their standard uncertainties
    p_before, p_after  programmed slope, see `programmed_ln`; None: not known
    ring_difference, arm_difference  small − large and left − right, as ratios
    """

    at: datetime | None
    found: float
    as_left: float | None
    p_before: float | None
    p_after: float | None
    u_session: float
    u_bench: float = 0.0
    u_place: float = 0.0
    u_crank: float = 0.0
    bench_id: str | None = None
    place_id: str | None = None
    crank_id: str | None = None
    crank_length_mm: float | None = None
    ring_difference: float | None = None
    arm_difference: float | None = None


def programmed_ln(slope: float | None, convention: str | None) -> float | None:
    """Return p = ±100·ln(slope): + for a divisor, − for a multiplier, 0 for a fixed slope.

    None for a slope or a convention that is not known.
    """
    if convention == "fixed":
        return 0.0
    if slope is None or slope <= 0 or convention not in ("multiplier", "divisor"):
        return None
    return ln_from_ratio(slope) * (1 if convention == "divisor" else -1)


@dataclass(slots=True)
class Past:
    """One meter's past, folded in session by session in the order of their dates.

    level     of found + p where slopes are written (in_slope), else of found itself, 100·ln
    variance  of the level; seen: how many sessions it rests on
    """

    level: float = 0.0
    variance: float = 0.0
    last: Observed | None = None
    in_slope: bool = False
    seen: int = 0

    def expect(self, now: Observed) -> Expectation:
        """Return what a session is to find, before its readings are looked at."""
        p = self._p(now)
        if self.last is None or (self.in_slope and p is None):
            return Expectation(0.0, UNKNOWN_SD, False)
        mean = self.level - (p or 0.0) if self.in_slope else self.level
        variance = self.variance + self._wander(now.at) + self._other_setup(now)
        return Expectation(mean, math.sqrt(variance), True)

    def learn(self, now: Observed) -> None:
        """Fold a session in. One far off its expectation starts the level anew."""
        expected = self.expect(now)
        p = self._p(now)
        noise = now.u_session**2
        surprise = abs(now.found - expected.mean) / math.hypot(expected.sd, now.u_session, 1e-9)
        if not expected.known or surprise > ANEW or (p is not None) != self.in_slope:
            level, self.variance = now.found, noise
        else:
            prior = expected.sd**2
            gain = prior / (prior + noise) if noise > 0 else 1.0
            level = expected.mean + gain * (now.found - expected.mean)
            self.variance = (1 - gain) * prior
        self.in_slope = p is not None
        if p is not None:
            self.level = level + p
        else:
            self.level = level if now.as_left is None else now.as_left
        self.last = now
        self.seen += 1

    def _p(self, now: Observed) -> float | None:
        """Return the slope in force: as written, else as last left."""
        if now.p_before is not None or self.last is None:
            return now.p_before
        return self.last.p_before if self.last.p_after is None else self.last.p_after

    def _wander(self, at: datetime | None) -> float:
        if self.last is None or at is None or self.last.at is None:
            return WANDER_PER_ROOT_YEAR**2
        years = abs((at - self.last.at).total_seconds()) / SECONDS_A_YEAR
        return WANDER_PER_ROOT_YEAR**2 * years

    def _other_setup(self, now: Observed) -> float:
        """Return the variance of mass set, place and crank where they are not the same again."""
        if self.last is None:
            return 0.0
        pairs = (
            (now.bench_id, self.last.bench_id, now.u_bench, self.last.u_bench),
            (now.place_id, self.last.place_id, now.u_place, self.last.u_place),
            (now.crank_id, self.last.crank_id, now.u_crank, self.last.u_crank),
        )
        return sum(u * u + v * v for new, old, u, v in pairs if new != old)
