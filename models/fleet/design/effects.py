"""Describe what alarms have found: steps, wrong entries, offsets, seasons, grown noise."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import polars as pl

from models.metrology import DAYS_A_YEAR, years

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


def dated_by_zeros(effects: Sequence[Effect], events: pl.DataFrame) -> list[Effect]:
    """Return the effects, a meter's step within the days of the one jump of its zero that it meets.

    events: of `FleetData`; jumps of the zero with `earliest` and `latest`. One blow moves both.
    Between a step's `since` and `at` its meter was not observed, so the narrower days leave every
    observation on its side.
    """
    jumps = events.filter(pl.col("event") == "zero_step").drop_nulls(["earliest", "latest"])
    return [_dated(effect, jumps.filter(pl.col("meter_id") == effect.device)) for effect in effects]


def _dated(effect: Effect, jumps: pl.DataFrame) -> Effect:
    if (effect.kind, effect.device_kind) != ("step", METER) or not 0 < effect.since < effect.at:
        return effect
    ends = zip(years(jumps["earliest"]).tolist(), years(jumps["latest"]).tolist(), strict=True)
    common = [(max(effect.since, first), min(effect.at, last)) for first, last in ends]
    met = [(since, at) for since, at in common if since < at]
    return replace(effect, since=met[0][0], at=met[0][1]) if len(met) == 1 else effect
