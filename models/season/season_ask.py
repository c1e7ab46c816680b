"""What may be asked of a season: its period, slots and pins, and what if."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import polars as pl

from ingest.schema import grouped, in_force
from models.wording import NoAnswerError

if TYPE_CHECKING:
    from models.records import Records

Weeks = tuple[date, ...]
LONGEST_WEEKS = 160
ROLES = ("race", "spare", "training", "home")


@dataclass(frozen=True)
class SeasonAsk:
    """A season to be planned or budgeted.

    first, last     both included
    slots_per_week  visits that fit in a week (None: from the capacity table, else 4)
    pins            meters to be visited in given weeks; any day stands for its week
    tolerance_pct   what if: for every meter, instead of its own
    target          what if: the least probability within tolerance, instead of the setting
    visits, spend   what if: as many visits as come nearest to a number, or to their price, and not
                    beyond; else those that cost least, risk included
    choices         whether to tell what other numbers of visits would buy
    roles           what if: the tolerance of meters by what they are ridden for (race, training …)
    """

    first: date
    last: date
    slots_per_week: int | None = None
    pins: Mapping[str, Weeks] = field(default_factory=dict)
    tolerance_pct: float | None = None
    target: float | None = None
    visits: int | None = None
    spend: float | None = None
    roles: Mapping[str, float] = field(default_factory=dict)
    choices: bool = False

    def with_pins(self, more: Mapping[str, Weeks]) -> SeasonAsk:
        """Return the same with more pins beside its own."""
        pins = {
            meter: tuple(sorted({*self.pins.get(meter, ()), *more.get(meter, ())}))
            for meter in {**more, **self.pins}
        }
        return replace(self, pins=pins)

    def begin(self, today: date) -> date:
        """Return the first day that can still be planned.

        NoAnswerError where the period or the slots make no sense, or all of it is past.
        """
        if self.last < self.first:
            raise NoAnswerError(
                f"the plan ends on {self.last}, before it begins on {self.first}: turn them round"
            )
        if self.last < today:
            raise NoAnswerError(
                f"the plan ends on {self.last} and today is {today}: that season is over. Name "
                "days to come, or give --as-of to plan as one could have then"
            )
        if self.last - self.first > timedelta(weeks=LONGEST_WEEKS):
            raise NoAnswerError(
                f"{self.first} to {self.last} is more than three years: plan a season at a time"
            )
        for name, value in (
            ("slots a week", self.slots_per_week),
            ("visits", self.visits),
            ("money for visits", self.spend),
        ):
            if value is not None and value < 0:
                raise NoAnswerError(f"{name}: found a negative number, expected 0 or more")
        return max(self.first, today)

    def supposed(self) -> list[str]:
        """Return a note of what is supposed instead of what is kept; empty where nothing is."""
        told = list(self._supposed())
        return [f"What if: {', '.join(told)}."] if told else []

    def _supposed(self) -> Iterable[str]:
        if self.tolerance_pct is not None:
            yield f"a tolerance of ± {self.tolerance_pct:g} % for every meter"
        for pct in sorted(set(self.roles.values())):
            roles = [role for role in self.roles if self.roles[role] == pct]
            yield f"± {pct:g} % for meters ridden as {' or '.join(roles)}"
        if self.visits is not None:
            yield f"{self.visits} visits"
        if self.spend is not None:
            yield f"visits for {grouped(self.spend)} at most"
        if self.target is not None:
            yield f"a target of {100 * self.target:g} %"
        if self.slots_per_week is not None:
            s = "" if self.slots_per_week == 1 else "s"
            yield f"{self.slots_per_week} bench slot{s} a week"


def supposing(found: Records, ask: SeasonAsk) -> Records:
    """Return the records with the tolerance that is asked about instead of the meters' own.

    NoAnswerError where the tolerance or the target makes no sense.
    """
    for pct in (ask.tolerance_pct, *ask.roles.values()):
        if pct is not None and not 0 < pct < 50:
            raise NoAnswerError(f"tolerance: found {pct:g}, expected percent, for instance 1.0")
    if unknown := set(ask.roles) - set(ROLES):
        raise NoAnswerError(f'found role "{min(unknown)}", expected one of: {", ".join(ROLES)}')
    if ask.target is not None and not 0 < ask.target < 1:
        raise NoAnswerError(f"target: found {ask.target:g}, expected a share such as 0.9")
    meters = found.meters
    if ask.tolerance_pct is not None:
        meters = meters.with_columns(tolerance_pct=ask.tolerance_pct)
    if ask.roles:
        own = limits_of_roles(found, ask.roles)
        limit = pl.col("meter_id").replace_strict(own, default=None, return_dtype=pl.Float64)
        meters = meters.with_columns(tolerance_pct=pl.coalesce(limit, "tolerance_pct"))
    return found if meters is found.meters else replace(found, meters=meters)


def limits_of_roles(found: Records, roles: Mapping[str, float]) -> dict[str, float]:
    """Return the tolerance of each meter by what it is ridden for today, the narrowest of all."""
    held = found.told["assignments"].filter(in_force(found.as_of))
    limits: dict[str, float] = {}
    for meter, role in held.select("meter_id", "role").iter_rows():
        if role in roles:
            limits[meter] = min(roles[role], limits.get(meter, roles[role]))
    return limits
