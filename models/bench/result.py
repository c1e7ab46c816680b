"""The result of one bench session."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from models.bench.advice import (
    FIX_SETTING,
    LEAVE,
    REPEAT,
    RESET,
    SEND_AWAY,
    UNDECIDED,
    WRONG_WAY,
    Advice,
    Basis,
    new_slope,
    slope_to_enter,
)
from models.bench.causes import (
    NO_DOUBT,
    Check,
    Doubt,
    Expectation,
    Suspicion,
    before_change,
    before_leaving,
    programmed_ln,
)
from models.bench.measurement import (
    AS_FOUND,
    LEFT,
    MASS,
    NO_SCATTER,
    RIGHT,
    ZERO,
    Scatter,
    Session,
    Stage,
)
from models.metrology import IN, INDETERMINATE, OUT, Budget, p_within, verdict
from models.wording import Reason

_GRAVITY_OF_ADVICE = (LEAVE, RESET, REPEAT, SEND_AWAY, FIX_SETTING)


class Gain(NamedTuple):
    """Gain error of a stage, or of one side of it, with its budget."""

    stage: Stage
    budget: Budget

    @property
    def ratio(self) -> float:
        """Mean ratio of shown to expected torque."""
        return self.stage.ratio

    @property
    def error_pct(self) -> float:
        """Gain error, %."""
        return 100 * (self.stage.ratio - 1)

    @property
    def u_ln(self) -> float:
        """Standard uncertainty of 100·ln(ratio)."""
        return self.budget.u_pct / max(abs(self.ratio), 1e-9)

    def part_ln(self, shared: str) -> float:
        """Return the part of u_ln that is shared with one thing: see `metrology.Budget`."""
        return self.budget.part(shared)[0] / max(abs(self.ratio), 1e-9)

    @property
    def shared_ln(self) -> float:
        """The part of u_ln that another hang would have again."""
        return math.sqrt(max(self.u_ln**2 - self.part_ln("session") ** 2, 0.0))

    def verdict(self, tolerance_pct: float) -> str:
        """Return in_tolerance, out_of_tolerance or indeterminate."""
        return verdict(self.error_pct, self.budget.expanded_pct, tolerance_pct=tolerance_pct)

    def p_within(self, tolerance_pct: float) -> float:
        """Return the probability that the true error lies within ± tolerance."""
        return p_within(
            self.error_pct, self.budget.u_pct, dof=self.budget.dof, tolerance_pct=tolerance_pct
        )


@dataclass(slots=True)
class SessionResult:
    """One session, evaluated.

    found      gain as found; None, and reason says why, where there is none
    sides      gain of each side that has a slope of its own
    stages     means of the stages that were read
    expected   gain error that was to be found, judged by what was known before; None: nothing was
    repeats    scatter of readings that should agree, over all stages, for others to learn from
    scatter    the same with what others show; step_nm: the display's
    ring_difference, arm_difference  small − large and left − right, as ratios, with u_difference
    findings   what else a mechanic should know
    """

    session: Session
    reason: Reason | None = None
    stages: dict[str, Stage] = field(default_factory=dict)
    repeats: Scatter = NO_SCATTER
    scatter: Scatter = NO_SCATTER
    step_nm: float = 0.0
    found: Gain | None = None
    sides: dict[str, Gain] = field(default_factory=dict)
    after_work: Gain | None = None
    after_work_sides: dict[str, Gain] = field(default_factory=dict)
    as_left: Gain | None = None
    as_left_sides: dict[str, Gain] = field(default_factory=dict)
    ring_difference: float | None = None
    arm_difference: float | None = None
    new_slope: float | None = None
    new_slope_sides: dict[str, float | None] = field(default_factory=dict)
    expected: Expectation | None = None
    suspicions: list[Suspicion] = field(default_factory=list)
    doubt: Doubt = NO_DOUBT
    advice: Advice | None = None
    linearity_pct: float | None = None
    hysteresis: float | None = None
    u_difference: float | None = None
    findings: list[Reason] = field(default_factory=list)

    @property
    def slip_probability(self) -> float:
        """Probability that a slip is behind what was found; 0 without an open suspicion."""
        open_ones = [s.probability for s in self.suspicions if s.kind != WRONG_WAY]
        if None in open_ones:
            return 1.0
        return min(sum(p for p in open_ones if p is not None), 1.0)

    @property
    def checks(self) -> tuple[Check, ...]:
        """What to look at before doing as advised."""
        leaves = self.advice is not None and self.advice.code == LEAVE
        return before_leaving(self.doubt) if leaves else before_change(self.doubt)

    @property
    def zero_offset_nm(self) -> float | None:
        """Mean zero reading of the as-found stage, N·m."""
        zeros = [
            r.torque_nm for r in self.session.readings if r.load == ZERO and r.stage == AS_FOUND
        ]
        return sum(zeros) / len(zeros) if zeros else None

    @property
    def verdict(self) -> str | None:
        """Of what was found; see `verdict_of`."""
        return self.verdict_of(self.found, self.sides)

    def verdict_of(self, gain: Gain | None, sides: Mapping[str, Gain]) -> str | None:
        """Return the verdict of a stage: a pair is in if both sides are, out if one is."""
        if gain is None:
            return None
        limit = self.session.tolerance_pct
        each = {one.verdict(limit) for one in (gain, *sides.values())}
        return next(word for word in (OUT, INDETERMINATE, IN) if word in each)

    @property
    def p_in_tolerance(self) -> float | None:
        """Return the probability of being within tolerance as found; a pair's lower side's."""
        if self.found is None:
            return None
        limit = self.session.tolerance_pct
        return min(one.p_within(limit) for one in (self.sides or {"": self.found}).values())

    def side_ratio(self, arm: str) -> float | None:
        """Return the mean ratio of an arm's cells; of all readings of a meter with one arm."""
        if self.found is None:
            return None
        if self.session.rule.arms == (arm,):
            return self.found.ratio
        cells = [ratio for cell, ratio in self.found.stage.cells.items() if cell[0] == arm]
        return sum(cells) / len(cells) if cells else None

    def side_error_pct(self, arm: str) -> float | None:
        """Return the gain error of one arm, %."""
        ratio = self.side_ratio(arm)
        return None if ratio is None else 100 * (ratio - 1)

    @property
    def deciding(self) -> Gain | None:
        """What a new slope must rest on: the state after work that left the slope alone."""
        return self.after_work if self.after_work is not None else self.found

    @property
    def deciding_sides(self) -> dict[str, Gain]:
        """The sides of what decides; empty where they have no slopes of their own."""
        return self.after_work_sides if self.after_work is not None else self.sides

    def basis(self, arm: str | None = None) -> Basis | None:
        """Return what advice rests on: of the whole (arm None), or of a side with its own slope."""
        gain = self.deciding if arm is None else self.deciding_sides.get(arm)
        if gain is None:
            return None
        meter, limit = self.session.meter, self.session.tolerance_pct
        before, _ = self.slopes_of(arm)
        return Basis(
            error_pct=gain.error_pct,
            budget=gain.budget,
            tolerance_pct=limit,
            verdict=gain.verdict(limit),
            convention=meter.convention,
            new_slope=new_slope(before, gain.ratio, convention=meter.convention),
            slope_step=meter.slope_step,
            slope_min=meter.slope_min,
            slope_max=meter.slope_max,
            linearity_pct=self.linearity_pct,
        )

    def recommended_slope(self, arm: str | None = None) -> float | None:
        """Return the slope that suits the state the meter is left in, rounded to its step.

        What is within its uncertainty keeps its slope. None while a suspicion is open, and where a
        fresh hang is to agree before the slope is touched.
        """
        basis, left = self.basis(arm), self.as_left if arm is None else self.as_left_sides.get(arm)
        if basis is None or self.advice is None:
            return None
        waits = self.advice.reason.kind in UNDECIDED and left is not None
        if self.advice.code not in (LEAVE, RESET) and not waits:
            return None
        before, after = self.slopes_of(arm)
        gain = left or (self.deciding if arm is None else self.deciding_sides[arm])
        slope = after or before if left else before
        stays = self.advice.code == LEAVE and left is None
        small = gain is not None and abs(gain.error_pct) <= gain.budget.expanded_pct
        resets = self.advice.code == RESET and left is None
        if gain is None or stays or (small and not resets):
            return slope
        exact = new_slope(slope, gain.ratio, convention=basis.convention)
        return slope_to_enter(basis._replace(new_slope=exact))

    def slope_change_ln(self, arm: str | None) -> float:
        """Return what the session's change of the slope did to the gain error, 100·ln."""
        before, after = self.slopes_of(arm)
        convention = self.session.meter.convention
        old, new = programmed_ln(before, convention), programmed_ln(after or before, convention)
        return 0.0 if old is None or new is None else old - new

    def slopes_of(self, arm: str | None) -> tuple[float | None, float | None]:
        """Return the slope before and after, of the whole (arm None) or of a side."""
        slopes = self.session.slopes
        return {
            None: (slopes.before, slopes.after),
            LEFT: (slopes.before_left, slopes.after_left),
            RIGHT: (slopes.before_right, slopes.after_right),
        }[arm]


def worst(advices: Iterable[Advice]) -> Advice | None:
    """Return the gravest of several advices (of a pair's sides)."""
    return max(advices, key=lambda a: _GRAVITY_OF_ADVICE.index(a.code), default=None)


def unexpected(error: Exception) -> Reason:
    """Return why a session could not be evaluated."""
    return Reason("not_computed", problem=f"{type(error).__name__}: {error}")


def why_not(session: Session) -> Reason:
    """Return why there is no gain error."""
    hung = [r for r in session.readings if r.load == MASS]
    reasons = tuple(dict.fromkeys(r.reason for r in hung if r.reason))
    if reasons:
        return reasons[0] if len(reasons) == 1 else Reason("readings_left_out", each=reasons)
    return Reason("no_as_found") if hung else Reason("nothing_hung")
