"""What a day adds to a meter's gain error: zero, temperature, repeatability, whole watts.

The fleet model says how far off a sensor reads at 20 °C. An effort is one ride: its zero was set
some time before or not, it was warm or cold, no meter repeats itself exactly from day to day, and
the watts were rounded. All of it is part of what an effort can be believed to.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.coaching.unzeroed import U_UNZEROED_NM, U_ZEROED_NM, unzeroed_nm
from models.metrology import Array, standard
from models.records import one_sided

if TYPE_CHECKING:
    from models.fleet import FleetFit

USUAL_RPM = 90.0
STATED_CELSIUS = 20.0  # at which gain errors are stated
SPREAD_CELSIUS = 7.0  # of rides about it, where no comparison tells
ENOUGH_RIDES = 30
USUAL_REPEAT, U_USUAL_REPEAT = 0.25, 0.06
"""What meters repeat to from day to day, and how far they differ in that (100·ln); as usual in
practice, without a published source."""
U_STATED = 0.1
"""How well the stated uncertainty of a ride is known itself, as a share of it."""

Joint = tuple[Array, Array]
"""Mean [n] and covariance [n, n] of what n efforts show over the truth, 100·ln."""


def at_usual_rpm(torque_nm: float, rpm: float = USUAL_RPM) -> float:
    """Return the watts of a torque (N·m) at a cadence."""
    return torque_nm * 2 * math.pi * rpm / 60


@dataclass(frozen=True)
class Effort:
    """Watts held on a meter (or a trainer) at an instant.

    dated_only: given as a day, without a time; zeroed: whether the meter was zeroed before it
    (None: not said, and then it counts as not zeroed); has_zero: False for a trainer, whose zero
    nobody sets by the pedals; celsius: None where not known
    """

    at: datetime
    device_id: str
    watts: float
    seconds: float | None = None
    dated_only: bool = True
    cadence_rpm: float | None = None
    zeroed: bool | None = None
    has_zero: bool = True
    celsius: float | None = None

    @property
    def step_w(self) -> float:
        """The last digit of the watts: 1 W, or 0.1 W where tenths were given."""
        return 1.0 if self.watts == round(self.watts) else 0.1

    def u_zero_w(self, unzeroed_nm: float) -> float:
        """Return the standard uncertainty of the zero offset in W; unzeroed_nm: if none was set."""
        if not self.has_zero:
            return 0.0
        torque = U_ZEROED_NM if self.zeroed else unzeroed_nm
        return at_usual_rpm(torque, self.cadence_rpm or USUAL_RPM)

    def u_watts(self, unzeroed_nm: float = U_UNZEROED_NM) -> float:
        """Return what zero and rounding leave open, W."""
        return math.hypot(self.u_zero_w(unzeroed_nm), standard(self.step_w / 2))


@dataclass(frozen=True)
class Carry:
    """A meter that an effort's watts are to be carried to, on a day."""

    meter_id: str
    on: date


@dataclass(frozen=True)
class Days:
    """How a fleet's days differ, by device.

    repeat: sd from day to day, 100·ln; warmth: temperature coefficient and its sd, 100·ln per °C;
    spread_celsius: how far rides lie from 20 °C, root mean square; unzeroed: sd of the zero
    offset of a meter that was not zeroed before a ride, N·m
    """

    repeat: Mapping[str, float]
    warmth: Mapping[str, tuple[float, float]]
    spread_celsius: float = SPREAD_CELSIUS
    unzeroed: Mapping[str, float] = field(default_factory=dict)

    def unzeroed_nm(self, device_id: str) -> float:
        """Return the sd of the zero offset of a meter that was not zeroed before a ride, N·m."""
        return self.unzeroed.get(device_id, U_UNZEROED_NM)

    def warm_variance(self, device_id: str) -> float:
        """Return what an unknown temperature adds to a ride's gain error, (100·ln)²."""
        coefficient, u = self.warmth.get(device_id, (0.0, 0.0))
        return (coefficient**2 + u**2) * self.spread_celsius**2

    def on_rides(self, devices: Sequence[str], joint: Joint) -> Joint:
        """Return a joint of n devices with what a ride's own day adds to each, zeros left out."""
        added = [self.repeat.get(d, 0.0) ** 2 + self.warm_variance(d) for d in devices]
        return joint[0], joint[1] + np.diag(added)


def days_of(
    fleet: FleetFit, meters: pl.DataFrame, comparisons: pl.DataFrame, zeros: pl.DataFrame
) -> Days:
    """Return what the fleet's own comparisons and zero readings say of days.

    In   meters: meter_id, kind; comparisons: temperature_c, u_gain_ratio_pct; zeros: see
         `unzeroed_nm`
    """
    left = {m for m, kind in meters.select("meter_id", "kind").iter_rows() if one_sided(kind)}
    stated = comparisons["u_gain_ratio_pct"].drop_nulls().drop_nans().to_numpy()
    repeat = {
        name: USUAL_REPEAT if name in left or not len(stated) else repeat_from(sd, stated)
        for name, sd in fleet.repeatability(besides=left).items()
    }
    coefficients = fleet.temperature_coefficients()
    rows = coefficients.select("meter_id", "warmth_ln", "warmth_sd_ln").iter_rows()
    warmth = {name: (mean, sd) for name, mean, sd in rows}
    ridden = comparisons["temperature_c"].drop_nulls().drop_nans().to_numpy()
    spread = SPREAD_CELSIUS
    if len(ridden) >= ENOUGH_RIDES:
        spread = float(np.sqrt(np.mean(np.square(ridden - STATED_CELSIUS))))
    return Days(repeat, warmth, spread, unzeroed_nm(zeros, meters))


def repeat_from(beyond: float, stated: Array) -> float:
    """Return a meter's sd from day to day, 100·ln: what is usual, and what its rides show.

    Rides show it as their noise beyond the stated uncertainty. What is stated is known to a tenth
    itself, and leaves room for more than happens on most days; so where it is large beside what is
    looked for, rides tell little. The two variances are weighed by how well they are known.

    In   beyond: sd of rides beyond the stated; stated: standard uncertainties of rides, 100·ln
    """
    known = (2 * USUAL_REPEAT * U_USUAL_REPEAT) ** -2
    shown = (2 * U_STATED * float(np.mean(np.square(stated)))) ** -2
    return math.sqrt((known * USUAL_REPEAT**2 + shown * beyond**2) / (known + shown))


def day_parts(efforts: Sequence[Effort], days: Days) -> tuple[Array, Array]:
    """Return mean [n] and covariance [n, n] of what the days add to n gain errors, 100·ln."""
    n = len(efforts)
    mean, covariance = np.zeros(n), np.zeros((n, n))
    off = np.array([0.0 if e.celsius is None else e.celsius - STATED_CELSIUS for e in efforts])
    for i, effort in enumerate(efforts):
        coefficient, u = days.warmth.get(effort.device_id, (0.0, 0.0))
        mean[i] = coefficient * off[i]
        same = np.array([other.device_id == effort.device_id for other in efforts])
        covariance[i] += np.where(same, u**2 * off[i] * off, 0.0)
        if effort.celsius is None:
            covariance[i, i] += days.warm_variance(effort.device_id)
        covariance[i, i] += days.repeat.get(effort.device_id, 0.0) ** 2
        u_watts = effort.u_watts(days.unzeroed_nm(effort.device_id))
        covariance[i, i] += (100 * u_watts / effort.watts) ** 2
    return mean, covariance
