"""The result of one bench session, and what of it leaves the models."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from models.bench.advice import (
    FIX_SETTING,
    LEAVE,
    REPEAT,
    RESET,
    SEND_AWAY,
    Advice,
    Finding,
    new_slope,
)
from models.bench.measurement import (
    AS_FOUND,
    LEFT,
    NO_SCATTER,
    RIGHT,
    ZERO,
    Scatter,
    Session,
    Stage,
)
from models.bench.suspicions import Suspicion
from models.metrology import IN, INDETERMINATE, OUT, Budget, ln_from_ratio, p_within, verdict

_GRAVITY_OF_ADVICE = (LEAVE, RESET, REPEAT, SEND_AWAY, FIX_SETTING)


class Gain(NamedTuple):
    """Gain error of a stage, or of one side of it, with its budget."""

    stage: Stage
    budget: Budget

    @property
    def ratio(self) -> float:
        return self.stage.ratio

    @property
    def error_pct(self) -> float:
        return 100 * (self.stage.ratio - 1)

    @property
    def u_ln(self) -> float:
        """Standard uncertainty of 100·ln(ratio)."""
        return self.budget.u_pct / max(abs(self.ratio), 1e-9)

    def part_ln(self, shared: str) -> float:
        """The part of u_ln that is shared with one thing."""
        return self.budget.part(shared)[0] / max(abs(self.ratio), 1e-9)

    def verdict(self, tolerance_pct: float) -> str:
        return verdict(self.error_pct, self.budget.expanded_pct, tolerance_pct=tolerance_pct)

    def p_within(self, tolerance_pct: float) -> float:
        return p_within(
            self.error_pct, self.budget.u_pct, dof=self.budget.dof, tolerance_pct=tolerance_pct
        )


@dataclass(slots=True)
class SessionResult:
    """One session, evaluated. found is None, and reason says why, where there is no gain error.

    Differences are ratios (small − large, left − right); sides hold the gain of each side that
    has a slope of its own.
    """

    session: Session
    reason: str | None = None
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
    suspicions: list[Suspicion] = field(default_factory=list)
    advice: Advice | None = None
    linearity_pct: float | None = None
    hysteresis: float | None = None
    u_difference: float | None = None
    remarks: list[str] = field(default_factory=list)

    @property
    def zero_offset_nm(self) -> float | None:
        """Mean zero reading of the as-found stage, N·m."""
        zeros = [
            r.torque_nm for r in self.session.readings if r.load == ZERO and r.stage == AS_FOUND
        ]
        return sum(zeros) / len(zeros) if zeros else None

    @property
    def verdict(self) -> str | None:
        """Of the whole; a pair passes only if each side's own error is within the limit."""
        if self.found is None:
            return None
        limit = self.session.tolerance_pct
        whole = self.found.verdict(limit)
        sides = [side.verdict(limit) for side in self.sides.values()]
        if OUT in (whole, *sides):
            return OUT
        beyond = any(abs(side.error_pct) > limit for side in self.sides.values())
        return INDETERMINATE if whole == IN and beyond else whole

    def side_ratio(self, arm: str) -> float | None:
        """Mean ratio of one arm's cells; of all readings of a meter that has that arm only."""
        if self.found is None:
            return None
        if self.session.rule.arms == (arm,):
            return self.found.ratio
        cells = [ratio for cell, ratio in self.found.stage.cells.items() if cell[0] == arm]
        return sum(cells) / len(cells) if cells else None

    def side_error_pct(self, arm: str) -> float | None:
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

    def finding(self, arm: str | None = None) -> Finding | None:
        """What advice is asked for: of the whole (arm None), or of a side with its own slope."""
        gain = self.deciding if arm is None else self.deciding_sides.get(arm)
        if gain is None:
            return None
        meter, slopes, limit = self.session.meter, self.session.slopes, self.session.tolerance_pct
        before = {None: slopes.before, LEFT: slopes.before_left, RIGHT: slopes.before_right}[arm]
        return Finding(
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

    def row(self) -> dict[str, Any]:
        """The session's row of `session_results`, its document left out."""
        s, gain = self.session, self.found
        out: dict[str, Any] = {
            name: getattr(s, name)
            for name in (
                *("session_id", "meter_id", "measured_at", "bench_id", "place_id", "workshop"),
                *("technician", "crank_id", "crank_length_mm", "temperature_c", "soak_min"),
                "incomplete",
            )
        }
        if gain is not None and gain.ratio > 0:
            out["gain_error_ln"] = ln_from_ratio(gain.ratio)
            for part in ("session", "bench", "place", "crank", "meter"):
                out[f"u_{part}_pct"] = gain.part_ln(part)
            dof = gain.budget.part("session")[1]
            out["dof_session"] = dof if math.isfinite(dof) else None
        if gain is not None:
            out["gain_error_pct"] = gain.error_pct
            out["expanded_uncertainty_pct"] = gain.budget.expanded_pct
            out["coverage_factor"] = gain.budget.coverage_factor
        return (
            out
            | self._after_work_row()
            | {
                "verdict": self.verdict,
                "advice": None if self.advice is None else self.advice.code,
                "slope_before": s.slopes.before,
                "slope_after": s.slopes.after,
                "new_slope": self.new_slope,
                "slope_before_left": s.slopes.before_left,
                "slope_after_left": s.slopes.after_left,
                "new_slope_left": self.new_slope_sides.get(LEFT),
                "slope_before_right": s.slopes.before_right,
                "slope_after_right": s.slopes.after_right,
                "new_slope_right": self.new_slope_sides.get(RIGHT),
                "as_left_gain_error_pct": None if self.as_left is None else self.as_left.error_pct,
                "zero_offset_nm": self.zero_offset_nm,
            }
        )

    def _after_work_row(self) -> dict[str, Any]:
        """What was found after work that left the slope alone: its error and random part."""
        gain = self.after_work
        if gain is None or gain.ratio <= 0:
            return {}
        dof = gain.budget.part("session")[1]
        return {
            "after_work_gain_error_ln": ln_from_ratio(gain.ratio),
            "u_after_work_pct": gain.part_ln("session"),
            "dof_after_work": dof if math.isfinite(dof) else None,
        }


def worst(advices: Iterable[Advice]) -> Advice | None:
    """The gravest of several advices (of a pair's sides)."""
    return max(advices, key=lambda a: _GRAVITY_OF_ADVICE.index(a.code), default=None)
