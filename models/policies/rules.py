"""The rules that policies send meters to the bench by: fixed intervals, and ours."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import count
from typing import Literal

import numpy as np

from models.metrology import DAYS_A_YEAR, Array, Mask
from models.policies.simulation_state import WEEK, Belief, Nature
from models.status import p_within

WEEKS_A_MONTH = DAYS_A_YEAR / 12 / 7
GOLDEN = (5**0.5 - 1) / 2


@dataclass(frozen=True)
class Now:
    """What a policy may look at in a week, [N] each.

    fresh   whether the meter was at the bench in it; since: weeks since its last visit
    found   what that found, over the tolerance; gap: weeks from the visit before to it
    sensor  what it found with all earlier resets undone; left: the part of it that resets,
            this one included, take off (both 100·ln)
    p       the forecast probability; belief: what is behind it (None for policies that do not
            look at forecasts)
    """

    fresh: Mask
    since: Array
    found: Array
    gap: Array
    sensor: Array
    left: Array
    p: Array
    belief: Belief | None = None


Decide = Callable[[Now], Mask]


Kind = Literal["fixed", "method", "target", "cost"]
"""Fixed intervals, interval methods of ILAC-G24, and by forecast: to hold a target, at least cost.
"""


@dataclass(frozen=True)
class Policy:
    """A way of choosing visits.

    label: the name's short form; make: its rule, which may remember; believes: looks at forecasts
    """

    kind: Kind
    name: str
    label: str
    make: Callable[[Nature], Decide]
    believes: bool = False


def every_months(months: float) -> Policy:
    """A fixed interval; the first one is cut short so that the meters come one after another
    (by the golden section, so that any few neighbours spread over it too)."""
    weeks = max(1.0, months * WEEKS_A_MONTH)

    def make(nature: Nature) -> Decide:
        wait = weeks * ((np.arange(len(nature)) + 0.5) * GOLDEN % 1.0)

        def decide(now: Now) -> Mask:
            wait[:] -= 1.0
            come = wait < 0.5
            wait[come] += weeks
            return come

        return decide

    return Policy("fixed", f"every {months:g} months", f"{months:g} months", make)


def ours(target: float) -> Policy:
    """To the bench as soon as the chance of being within tolerance falls below the target."""

    def make(_nature: Nature) -> Decide:
        return lambda now: now.p < target

    share = f"{100 * target:.0f} %"
    return Policy("target", f"by forecast, target {share}", share, make, believes=True)


def ours_by_cost(days: float) -> Policy:
    """To the bench when the risk of the day outweighs the cheapest average that visits can buy.

    days: ridden out of tolerance that cost as much as a visit. A meter's cheapest average is
    min over T of (visit + expected days out until T) / T after a visit now: the rule of age
    replacement, with the risk as forecast.
    """

    def make(nature: Nature) -> Decide:
        rate, turns = np.zeros(len(nature)), count()

        def decide(now: Now) -> Mask:
            if now.belief is None:
                return np.zeros(len(nature), dtype=np.bool_)
            if next(turns) % 4 == 0:
                rate[:] = cheapest_average(now.belief, days)
            return np.asarray(1 - now.p >= rate)

        return decide

    return Policy("cost", "by forecast, at least cost", "least cost", make, believes=True)


def cheapest_average(belief: Belief, days: Array | float) -> Array:
    """Least average cost of each meter with visits at equal intervals, in days out of tolerance
    a day, [N]; the first visit is now, intervals up to four years are tried."""
    nature, P = belief.nature, belief.P
    ahead = np.arange(1, 53) * 4 * WEEK
    PH = P[:, :, 0] + P[:, :, 3]
    S = PH[:, 0] + PH[:, 3] + nature.bench2
    start = P[:, 0, 0] - PH[:, 0] ** 2 / S + (PH[:, 0] / S - 1) ** 2 * S
    tie, rate = P[:, 0, 1] - PH[:, 0] * PH[:, 1] / S, P[:, 1, 1] - PH[:, 1] ** 2 / S
    mean = (belief.mean[:, 1] + nature.swap_step / nature.swap_every)[:, None] * ahead
    wander = nature.walk2 + nature.swap2 / nature.swap_every
    variance = start[:, None] + (2 * tie + wander)[:, None] * ahead + rate[:, None] * ahead**2
    risk = 1 - p_within(mean, np.sqrt(np.maximum(variance, 1e-12)), nature.tolerance[:, None])
    lost = np.cumsum(risk, axis=1) * 28
    visit = np.broadcast_to(days, lost.shape[:1])[:, None]
    return np.asarray(((visit + lost) / (ahead * DAYS_A_YEAR)).min(axis=1))
