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
from models.bench.causes.suspicions import Case, kinds_of, residual_pct
from models.bench.causes.true_error import (
    Hangs,
    Part,
    better_by_reset,
    forecast_alone,
    harm_beyond,
    reset_by,
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
HANG_SECONDS = 300
"""What LOOK_COST is paid for: looking, and hanging once more. A glance costs its part of it."""
FORECAST_LIMITS = 1.96
"""Standard deviations of a 95 % forecast."""
SECONDS = {
    **{"slope": 5, "slope_direction": 20, "crank_length": 10, "cog_teeth": 10, "swapped": 10},
    **{"hanger_mass": 10, "mass": 15, "unit": 10, "doubled_display": 10, "mistyped": 10},
    **{"not_zeroed": 30, "angle": 30, "moved": 20},
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
    "moved": Reason("look_meter"),
}


class Check(NamedTuple):
    """One thing to look at.

    entered, would_explain, residual_pct  as of a `Suspicion`
    hidden  expected squared error, %², that this slip would hide if the slope is left alone
    """

    kind: str
    entered: float | str | None
    would_explain: float | str | None
    residual_pct: float
    probability: float
    reason: Reason
    hidden: float = 0.0


class Doubt(NamedTuple):
    """What speaks against acting on a session as it stands.

    reset_harm, leave_harm  expected squared error, %², that a slip would leave
    own_harm  the same of leaving the slope alone, beyond tolerance, if nobody slipped
    spared    how much less of it a reset would leave
    outside   whether the finding lies outside its 95 % forecast
    better    probability that a reset leaves the meter better, if nobody slipped
    agreed    how many earlier hangs of these days found the same
    checks    what there is to look at, likeliest and quickest first
    """

    reset_harm: float = 0.0
    leave_harm: float = 0.0
    own_harm: float = 0.0
    spared: float = 0.0
    outside: bool = False
    better: float = 1.0
    agreed: int = 0
    checks: tuple[Check, ...] = ()


NO_DOUBT = Doubt()


def doubt_of(case: Case, weighed: Weighed, hangs: Hangs, *, agreed: int) -> Doubt:
    """Return what speaks against acting on a session.

    hangs: this session and the credible ones of those that it agrees with; agreed: see `Doubt`
    """
    x = ln_from_ratio(case.stage.ratio)
    tolerance = case.session.tolerance_pct
    hidden = [_hidden(case, weighed, hangs, k) for k in range(len(weighed.mistakes))]
    no_zero = weighed.no_zero * harm_beyond(forecast_alone(case.expected), tolerance)
    named = zip(weighed.mistakes, weighed.probabilities, strict=True)
    reset = sum(p * m.shift**2 for m, p in named if weighed.nameable(m))
    true = true_error(case.expected, hangs)
    own = harm_beyond(true, tolerance)
    return Doubt(
        reset_harm=reset + weighed.no_zero * weighed.off**2,
        leave_harm=sum(hidden) + no_zero,
        own_harm=weighed.none * own,
        spared=weighed.none * (own - harm_beyond(reset_by(true, x), tolerance)),
        outside=is_outside(weighed),
        better=better_by_reset(true, x),
        agreed=agreed,
        checks=tuple(_checks(case, weighed, hidden, no_zero)),
    )


def is_outside(weighed: Weighed) -> bool:
    """Return whether a finding lies outside its 95 % forecast."""
    return abs(weighed.off) > FORECAST_LIMITS * weighed.sd


def _hidden(case: Case, weighed: Weighed, hangs: Hangs, k: int) -> float:
    """Return the expected squared error beyond tolerance that a mistake hides, %²."""
    mistake, p = weighed.mistakes[k], weighed.probabilities[k]
    if p <= NEVER or not weighed.nameable(mistake):
        return 0.0
    shift = 0.0 if mistake.of_slope else mistake.shift
    true = true_error(case.expected, hangs.without(shift))
    return p * harm_beyond(true, case.session.tolerance_pct)


def before_change(doubt: Doubt) -> tuple[Check, ...]:
    """Return what to look at before the slope is changed."""
    shown = tuple(c for c in doubt.checks if c.probability >= SHOWN_FROM)
    return (shown if len(shown) >= LEAST_SHOWN else doubt.checks[:LEAST_SHOWN])[:MOST_SHOWN]


def before_leaving(doubt: Doubt) -> tuple[Check, ...]:
    """Return what is worth a glance before a meter is taken off whose slope is left alone."""
    cost = LOOK_COST / HANG_SECONDS
    return tuple(c for c in doubt.checks if c.hidden > cost * SECONDS[c.kind])[:MOST_SHOWN]


def of_side(doubt: Doubt, ratio: float, u_ln: float) -> Doubt:
    """Return the doubt of one side of a pair: forecasts are of the pair, not of its sides."""
    if ratio <= 0:
        return doubt
    x = ln_from_ratio(ratio)
    return doubt._replace(better=better_by_reset([Part(1.0, x, u_ln)], x), own_harm=0.0, spared=0.0)


def _checks(case: Case, weighed: Weighed, hidden: Sequence[float], no_zero: float) -> list[Check]:
    by_kind: dict[tuple[str, str], float] = {}
    for mistake, harm in zip(weighed.mistakes, hidden, strict=True):
        kind = mistake.kind, mistake.fix
        by_kind[kind] = by_kind.get(kind, 0.0) + harm
    found = [
        Check(
            best.kind,
            best.entered,
            best.would_explain,
            residual_pct(case, best),
            p,
            _reason(case, best),
            by_kind[best.kind, best.fix],
        )
        for best, p in kinds_of(weighed)
        if p > 0
    ]
    if weighed.no_zero > 0:
        found.append(_zero_check(case, weighed)._replace(hidden=no_zero))
    if is_outside(weighed):
        found.append(_meter_check(case, weighed))
    return sorted(found, key=_worth, reverse=True)


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


def _meter_check(case: Case, weighed: Weighed) -> Check:
    """Return the look at the meter itself, which may have moved as nobody noticed."""
    reason = Reason("check_meter", look=LOOK["moved"])
    residual = 100 * (case.stage.ratio - 1)
    return Check("moved", None, None, residual, weighed.moved, reason)
