"""What the fleet knows of a mass set beside its stamp, and what to say of it at the bench."""

from __future__ import annotations

from typing import NamedTuple

from models.metrology import Z90, percent_from_ln
from models.wording import Reason

LEAST_OFF_PCT = 0.2
"""Below this no set is called off: nobody's slope is the worse for it."""


class SetEstimate(NamedTuple):
    """How far what hangs is off its stamp by the fleet's estimate, %, with a 90 % interval."""

    off_pct: float
    low_pct: float
    high_pct: float


def set_estimate(mean_ln: float, sd_ln: float) -> SetEstimate | None:
    """Return the fleet's estimate of a mass set, 100·ln; None unless it is surely off its stamp."""
    low, high = mean_ln - Z90 * sd_ln, mean_ln + Z90 * sd_ln
    if low <= 0 <= high or abs(percent_from_ln(mean_ln)) < LEAST_OFF_PCT:
        return None
    return SetEstimate(*(percent_from_ln(x) for x in (mean_ln, low, high)))


def set_off(bench_id: str, estimate: SetEstimate, expected_nm: float) -> Reason:
    """Return what is said where a set that is off hangs: the torque by its stamp and by the fleet.

    expected_nm: by the stamp
    """
    off, low, high = (expected_nm * (1 + pct / 100) for pct in estimate)
    return Reason(
        "set_off",
        bench_id=bench_id,
        off_pct=estimate.off_pct,
        stamp_nm=expected_nm,
        fleet_nm=off,
        low_nm=low,
        high_nm=high,
    )
