"""Rules that send meters to the bench: at fixed intervals, or by what is forecast."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import count
from typing import Literal

import numpy as np

from models.metrology import DAYS_A_YEAR, Array, Mask
from models.policies.kalman_filter import KalmanFilter
from models.policies.meter_process import WEEK, ProcessParameters
from models.status import p_within

WEEKS_A_MONTH = DAYS_A_YEAR / 12 / 7
GOLDEN = (5**0.5 - 1) / 2


@dataclass(frozen=True)
class Seen:
    """What a policy may look at in a week, [N] each.

    visited  whether the meter was at the bench in it; since: weeks since its last visit
    share    what that found, over the tolerance; gap: weeks from the visit before to it
    sensor   what it found with all earlier resets undone; reset: the part of it that resets,
             this one included, take off (both 100·ln)
    p        the forecast probability within tolerance; state: what is behind it (None:
             the policy does not look at forecasts)
    """

    visited: Mask
    since: Array
    share: Array
    gap: Array
    sensor: Array
    reset: Array
    p: Array
    state: KalmanFilter | None = None


Decide = Callable[[Seen], Mask]
Kind = Literal["fixed", "method", "target", "cost"]
"""Fixed intervals, interval methods of ILAC-G24, and by forecast: to hold a target, at least cost.
"""


@dataclass(frozen=True)
class Policy:
    """A way of choosing visits.

    label: the name's short form; make: its rule for meters of these parameters, which may remember;
    forecasts: it looks at them
    """

    kind: Kind
    name: str
    label: str
    make: Callable[[ProcessParameters], Decide]
    forecasts: bool = False


def every_months(months: float) -> Policy:
    """Return visits at a fixed interval.

    The first one is cut short so that the meters come one after another (by the golden section,
    so that any few neighbours spread over it too).
    """
    weeks = max(1.0, months * WEEKS_A_MONTH)

    def make(assumed: ProcessParameters) -> Decide:
        wait = weeks * ((np.arange(len(assumed)) + 0.5) * GOLDEN % 1.0)

        def decide(seen: Seen) -> Mask:
            wait[:] -= 1.0
            come = wait < 0.5
            wait[come] += weeks
            return come

        return decide

    return Policy("fixed", f"every {months:g} months", f"{months:g} months", make)


def by_target(target: float) -> Policy:
    """Return visits as soon as the chance of being within tolerance falls below the target."""

    def make(_assumed: ProcessParameters) -> Decide:
        return lambda seen: seen.p < target

    share = f"{100 * target:.0f} %"
    return Policy("target", f"by forecast, target {share}", share, make, forecasts=True)


def by_cost(days: float) -> Policy:
    """Return visits when the risk of the day outweighs the cheapest average that visits can buy.

    days: ridden out of tolerance that cost as much as a visit. A meter's cheapest average is
    min over T of (visit + expected days out until T) / T after a visit now: the rule of age
    replacement, with the risk as forecast.
    """

    def make(assumed: ProcessParameters) -> Decide:
        rate, turns = np.zeros(len(assumed)), count()

        def decide(seen: Seen) -> Mask:
            if seen.state is None:
                return np.zeros(len(assumed), dtype=np.bool_)
            if next(turns) % 4 == 0:
                rate[:] = cheapest_average(seen.state, days)
            return np.asarray(1 - seen.p >= rate)

        return decide

    return Policy("cost", "by forecast, at least cost", "least cost", make, forecasts=True)


def cheapest_average(state: KalmanFilter, days: Array | float) -> Array:
    """Return the least average cost of each meter with visits at equal intervals, [N].

    In days out of tolerance a day. days: what a visit costs, in such days; the first visit is now,
    intervals up to four years are tried.
    """
    of, P = state.parameters, state.P
    ahead = np.arange(1, 53) * 4 * WEEK
    PH = P[:, :, 0] + P[:, :, 3]
    S = PH[:, 0] + PH[:, 3] + of.bench2
    start = P[:, 0, 0] - PH[:, 0] ** 2 / S + (PH[:, 0] / S - 1) ** 2 * S
    tie, rate = P[:, 0, 1] - PH[:, 0] * PH[:, 1] / S, P[:, 1, 1] - PH[:, 1] ** 2 / S
    mean = (state.mean[:, 1] + of.swap_step / of.swap_every)[:, None] * ahead
    wander = of.walk2 + of.swap2 / of.swap_every
    variance = start[:, None] + (2 * tie + wander)[:, None] * ahead + rate[:, None] * ahead**2
    risk = 1 - p_within(mean, np.sqrt(np.maximum(variance, 1e-12)), of.tolerance[:, None])
    lost = np.cumsum(risk, axis=1) * 28
    visit = np.broadcast_to(days, lost.shape[:1])[:, None]
    return np.asarray(((visit + lost) / (ahead * DAYS_A_YEAR)).min(axis=1))
