"""Describe what alarms have found: steps, wrong entries, offsets, seasons, grown noise."""

from dataclasses import dataclass, field
from typing import Final

from models.metrology import DAYS_A_YEAR

METER, REFERENCE, BENCH, GROUP = "meter", "reference", "bench", "group"
SEASONS: Final = {"season": True, "ride_season": False}
"""Kinds of effects that return every year, and whether bench sessions or rides show them."""
SHAPE = "shape"
_LATEST_AFTER_YEARS = 59 / DAYS_A_YEAR


@dataclass(frozen=True)
class Effect:
    """One accepted effect; it enters the model with a prior of its own, so that estimates carry it.

    kind          step (a device's value changes at `at`), entry (one bench session is off by an
                  unknown amount), offset (a mass set is off its stated mass by more than its
                  uncertainty), bend (a group's drift changes at `at`), season or ride_season (a
                  group's sessions or rides follow the year, highest at `at`), noise (a meter's
                  noise is `factor` times its usual since `at`), shape (a group's ageing settles or
                  speeds up: see models.fleet.design.ageing_shape)
    device_kind   meter, reference, bench, group
    at            years since 1970: the first observation that shows it
    since         the observation before it: a step happened between the two
    observation   the session of an entry
    factor, p     of noise: how much larger its sd is, and the p-value of so much growth; the
                  factor of a shape is the shape itself
    sd            prior sd of its size in the model, 100·ln: wide if it is certain, less if it
                  may be chance (see models.fleet.alarms.prior_odds)
    proposed      true: said, but not carried into the estimates (see models.fleet.alarms.proposals)
    """

    kind: str
    device_kind: str
    device: str
    at: float
    since: float = 0.0
    observation: str | None = None
    factor: float = field(default=1.0, compare=False)
    p: float = field(default=1.0, compare=False)
    sd: float = field(default=3.0, compare=False)
    proposed: bool = field(default=False, compare=False)


def alarm_year(effect: Effect) -> float:
    """Return an alarm's date as years since 1970: that of the first observation which shows it.

    Of a step with nothing seen for long before it: two months after the observation before.
    """
    if effect.kind != "step":
        return effect.at
    return min(effect.at, effect.since + _LATEST_AFTER_YEARS)
