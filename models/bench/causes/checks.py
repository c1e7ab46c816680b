"""What to look at before the slope is changed, and what it costs not to look.

Each slip, if it was made, leaves the meter wrong by what it did to the finding once the slope is
reset on it, and by what it hides if the slope is left alone. Times its probability that is the
expected harm of acting without looking, in squared percent; looking and hanging once more costs
LOOK_COST. So nothing is done to the slope as long as looking is the cheaper way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from models.bench.causes.mistakes import Mistake
from models.bench.causes.suspicions import Case, is_quiet, kinds_of, residual_pct
from models.bench.causes.true_error import (
    Hung,
    Part,
    better_by_reset,
    forecast_alone,
    harm_beyond,
    true_error,
)
from models.bench.causes.weighing import Weighed
from models.metrology import ln_from_ratio
from models.wording import Reason

LOOK_COST = 0.04
"""Squared percent: an error of 0.2 % for a season, for which nobody would leave his coffee."""
NEVER = 1e-4
"""Probability below which a cause is not weighed further."""
SHOWN_FROM = 0.01
"""Probability from which a cause is worth a glance."""
LEAST_SHOWN, MOST_SHOWN = 2, 5
FORECAST_LIMITS = 1.96
"""Standard deviations of a 95 % forecast."""
SECONDS = {
    **{"slope": 5, "slope_direction": 20, "crank_length": 10, "cog_teeth": 10, "swapped": 10},
    **{"hanger_mass": 10, "mass": 15, "unit": 10, "doubled_display": 10, "mistyped": 10},
    **{"not_zeroed": 30, "angle": 30},
}
"""About how long it takes to look."""
LOOK = {
    "slope": Reason("look_slope"),
    "slope_direction": Reason("look_slope_direction"),
    "crank_length": Reason("look_crank_length"),
    "hanger_mass": Reason("look_hanger"),
    "mass": Reason("look_masses"),
    "unit": Reason("look_unit"),
    "doubled_display": Reason("look_display"),
    "mistyped": Reason("look_point"),
    "angle": Reason("look_level"),
    "swapped": Reason("look_ring"),
    "cog_teeth": Reason("look_cog"),
    "not_zeroed": Reason("look_zero"),
}


class Check(NamedTuple):
    """One thing to look at; harm: expected squared error, %², of a reset that it would spare.

    entered, would_explain, residual_pct  as of a `Suspicion`
    """

    kind: str
    entered: float | str | None
    would_explain: float | str | None
    residual_pct: float
    probability: float
    reason: Reason


class Doubt(NamedTuple):
    """What speaks against acting on a session as it stands.

    reset_harm, leave_harm  expected squared error, %², that a slip would leave
    own_harm  the same of leaving the slope alone, beyond tolerance, if nobody slipped
    outside   whether the finding lies outside its 95 % forecast
    better    probability that a reset leaves the meter better, if nobody slipped
    agreed    how many earlier hangs of these days found the same
    checks    what to look at, likeliest and quickest first
    """

    reset_harm: float = 0.0
    leave_harm: float = 0.0
    own_harm: float = 0.0
    outside: bool = False
    better: float = 1.0
    agreed: int = 0
    checks: tuple[Check, ...] = ()


NO_DOUBT = Doubt()


def doubt_of(
    case: Case, weighed: Weighed, *, hung: Sequence[Hung], u_shared: float, expanded_pct: float
) -> Doubt:
    """Return what speaks against acting on a session.

    hung: this session and the earlier ones that it agrees with; u_shared: what they have in
    common, 100·ln; expanded_pct: uncertainty of the finding, %
    """
    x = ln_from_ratio(case.stage.ratio)
    tolerance = case.session.tolerance_pct
    reset = leave = 0.0
    for mistake, p in zip(weighed.mistakes, weighed.probabilities, strict=True):
        if not weighed.nameable(mistake):
            continue
        reset += p * mistake.shift**2
        if p > NEVER:
            shift = 0.0 if mistake.of_slope else mistake.shift
            mended = [h._replace(found=h.found - shift) for h in hung]
            leave += p * harm_beyond(true_error(case.expected, mended, u_shared), tolerance)
    reset += weighed.no_zero * weighed.off**2
    leave += weighed.no_zero * harm_beyond(forecast_alone(case.expected), tolerance)
    outside = abs(weighed.off) > FORECAST_LIMITS * weighed.sd
    nothing = is_quiet(case) and abs(x) < expanded_pct and leave <= LOOK_COST
    true = true_error(case.expected, hung, u_shared)
    return Doubt(
        reset_harm=reset,
        leave_harm=leave,
        own_harm=weighed.none * harm_beyond(true, tolerance),
        outside=outside,
        better=better_by_reset(true, x),
        agreed=len(hung) - 1,
        checks=() if nothing else tuple(_checks(case, weighed)),
    )


def of_side(doubt: Doubt, ratio: float, u_ln: float) -> Doubt:
    """Return the doubt of one side of a pair: forecasts are of the pair, not of its sides."""
    if ratio <= 0:
        return doubt
    x = ln_from_ratio(ratio)
    return doubt._replace(better=better_by_reset([Part(1.0, x, u_ln)], x), own_harm=0.0)


def _checks(case: Case, weighed: Weighed) -> list[Check]:
    found = [
        Check(
            best.kind,
            best.entered,
            best.would_explain,
            residual_pct(case, best),
            p,
            _reason(case, best),
        )
        for best, p in kinds_of(weighed)
        if p > 0
    ]
    if weighed.no_zero > 0:
        found.append(_zero_check(case, weighed))
    found.sort(key=_worth, reverse=True)
    shown = [c for c in found if c.probability >= SHOWN_FROM]
    return (shown if len(shown) >= LEAST_SHOWN else found[:LEAST_SHOWN])[:MOST_SHOWN]


def _worth(check: Check) -> float:
    """Return probability a second: what is likely and quick comes first."""
    return check.probability / math.sqrt(SECONDS[check.kind])


def _reason(case: Case, best: Mistake) -> Reason:
    look = LOOK[best.kind]
    if best.of_slope:
        return Reason("check_slope", look=look, mistake=best.what)
    left = residual_pct(case, best)
    return Reason("check", look=look, mistake=best.what, residual_pct=left)


def _zero_check(case: Case, weighed: Weighed) -> Check:
    offset = weighed.off / 100 / case.per_nm
    reason = Reason("check_zero", look=LOOK["not_zeroed"], offset_nm=offset)
    residual = 100 * (math.exp(case.expected.mean / 100) - 1)
    return Check("not_zeroed", None, round(offset, 2), residual, weighed.no_zero, reason)
