"""What a meter's own past says about the error it will be found with.

A local level in 100·ln of the sensor's own sensitivity (the programmed slope taken out), one
meter at a time: enough to tell whether a found error surprises. The fleet model, which weighs
all evidence, comes after it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from statistics import median
from typing import NamedTuple

from models.metrology import DAYS_A_YEAR, ln_from_ratio

UNKNOWN_SD = 1.0
"""Spread of true gain errors of meters nobody has measured yet, 100·ln."""
WANDER_PER_ROOT_YEAR = 1.0
"""Standard deviation of what a meter moves in a year, 100·ln, where no fleet tells: larger than
usual drift."""
LEAST_WANDER = 0.25
"""However still a fleet's meters seem to stand, 100·ln per root year."""
PRIOR_MOVES = 8
"""Moves of meters that the two constants above count for, beside those of the fleet."""
ANEW = 4.0
"""Standard deviations off its expectation from which a found error starts a new level."""
SECONDS_A_YEAR = DAYS_A_YEAR * 86400
SHORT_YEARS = 14 / DAYS_A_YEAR
"""Sessions nearer than this say more of hanging than of drift."""
MEDIAN_SQUARE = 0.4549
"""Median of the square of a standard normal variable (chi-squared with one degree of freedom)."""


class Expectation(NamedTuple):
    """Gain error to be found, 100·ln: mean, standard deviation, whether it rests on a past.

    of_truth: whether it is of the true error, the fleet's, and not of what this bench found before
    """

    mean: float
    sd: float
    known: bool
    of_truth: bool = False


class Movement(NamedTuple):
    """How a fleet's meters move: rate in 100·ln a year, wander in 100·ln per root year."""

    rate: float = 0.0
    wander: float = WANDER_PER_ROOT_YEAR


class Move(NamedTuple):
    """One meter from one session to the next: change in 100·ln, its noise's variance, years."""

    change: float
    noise: float
    years: float


def movement_of(moves: Sequence[Move]) -> Movement:
    """Return how a fleet's meters move, from medians, so that slips and struck meters do not tell.

    Both are shrunk to a rate of 0 and WANDER_PER_ROOT_YEAR by PRIOR_MOVES.
    """
    long = [m for m in moves if m.years > SHORT_YEARS]
    if not long:
        return Movement()
    share = len(long) / (len(long) + PRIOR_MOVES)
    rate = share * median(m.change / m.years for m in long)
    off = [(m.change - rate * m.years) ** 2 for m in long]
    spread = median(x / m.years for x, m in zip(off, long, strict=True)) / MEDIAN_SQUARE
    still = median(m.noise / m.years for m in long)
    found = max(spread - still, LEAST_WANDER**2)
    variance = share * found + (1 - share) * WANDER_PER_ROOT_YEAR**2
    return Movement(rate, math.sqrt(variance))


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
    left      programmed slope as last left, also by a session that was not believed
    shaken    variance of what was recorded of it since the last session, (100·ln)²
    movement  how the fleet's meters move
    """

    level: float = 0.0
    variance: float = 0.0
    last: Observed | None = None
    in_slope: bool = False
    seen: int = 0
    left: float | None = None
    shaken: float = 0.0
    movement: Movement = field(default_factory=Movement)

    def expect(self, now: Observed) -> Expectation:
        """Return what a session is to find, before its readings are looked at."""
        p = self._p(now)
        if self.last is None or (self.in_slope and p is None):
            return Expectation(0.0, UNKNOWN_SD, False)
        years = self._years(now.at)
        level = self.level + self.movement.rate * years
        mean = level - (p or 0.0) if self.in_slope else level
        variance = self.variance + self.movement.wander**2 * years + self._other_setup(now)
        variance += self.shaken
        return Expectation(mean, math.sqrt(variance), True)

    def learn(self, now: Observed, *, slip: float = 0.0) -> None:
        """Fold a session in. One far off its expectation starts the level anew.

        slip: probability that what it found is a slip's; the level is then the old or the new
        one, with the mean and the variance of both
        """
        expected = self.expect(now)
        p = self._p(now)
        level, variance = self._updated(now, expected, p is not None)
        if slip > 0 and expected.known:
            gap = level - expected.mean
            level -= slip * gap
            variance = slip * expected.sd**2 + (1 - slip) * (variance + slip * gap**2)
        self.variance = variance
        self.in_slope = p is not None
        if p is not None:
            self.level = level + p
        else:
            self.level = level if now.as_left is None else now.as_left
        self.last, self.shaken = now, 0.0
        self.seen += 1
        self.note(now)

    def _updated(self, now: Observed, expected: Expectation, in_slope: bool) -> tuple[float, float]:
        """Return level and variance with a session that is believed."""
        noise = now.u_session**2
        surprise = abs(now.found - expected.mean) / math.hypot(expected.sd, now.u_session, 1e-9)
        if not expected.known or surprise > ANEW or in_slope != self.in_slope:
            return now.found, noise
        prior = expected.sd**2
        gain = prior / (prior + noise) if noise > 0 else 1.0
        return expected.mean + gain * (now.found - expected.mean), (1 - gain) * prior

    def note(self, now: Observed) -> None:
        """Note the slope that a session left, whether what it found is believed or not."""
        left = now.p_before if now.p_after is None else now.p_after
        self.left = self.left if left is None else left

    def _p(self, now: Observed) -> float | None:
        """Return the slope in force: as written, else as last left."""
        return self.left if now.p_before is None else now.p_before

    def _years(self, at: datetime | None) -> float:
        if self.last is None or at is None or self.last.at is None:
            return 1.0
        return abs((at - self.last.at).total_seconds()) / SECONDS_A_YEAR

    def move(self, now: Observed) -> Move | None:
        """Return how the meter moved since its last session; None where that is not known."""
        p = self._p(now)
        if self.last is None or (p is not None) != self.in_slope:
            return None
        level = now.found + (p or 0.0)
        noise = self.variance + self.shaken + now.u_session**2 + self._other_setup(now)
        return Move(level - self.level, noise, self._years(now.at))

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
