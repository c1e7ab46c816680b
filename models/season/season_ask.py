"""What may be asked of a season: its period, slots and pins, and what if."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from models.wording import NoAnswerError

if TYPE_CHECKING:
    from models.records import Records

Weeks = tuple[date, ...]
LONGEST_WEEKS = 160


@dataclass(frozen=True)
class SeasonAsk:
    """A season to be planned or budgeted.

    first, last     both included
    slots_per_week  visits that fit in a week (None: from the capacity table, else 4)
    pins            meters to be visited in given weeks; any day stands for its week
    tolerance_pct   what if: for every meter, instead of its own
    target          what if: the least probability within tolerance, instead of the setting
    """

    first: date
    last: date
    slots_per_week: int | None = None
    pins: Mapping[str, Weeks] = field(default_factory=dict)
    tolerance_pct: float | None = None
    target: float | None = None

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
        if self.slots_per_week is not None and self.slots_per_week < 0:
            raise NoAnswerError("slots a week: found a negative number, expected 0 or more")
        return max(self.first, today)

    def supposed(self) -> list[str]:
        """Return a note of what is supposed instead of what is kept; empty where nothing is."""
        told = list(self._supposed())
        return [f"What if: {', '.join(told)}."] if told else []

    def _supposed(self) -> Iterable[str]:
        if self.tolerance_pct is not None:
            yield f"a tolerance of ± {self.tolerance_pct:g} % for every meter"
        if self.target is not None:
            yield f"a target of {100 * self.target:g} %"
        if self.slots_per_week is not None:
            s = "" if self.slots_per_week == 1 else "s"
            yield f"{self.slots_per_week} bench slot{s} a week"


def supposing(found: Records, ask: SeasonAsk) -> Records:
    """Return the records with the tolerance that is asked about instead of the meters' own.

    NoAnswerError where the tolerance or the target makes no sense.
    """
    if ask.tolerance_pct is not None and not 0 < ask.tolerance_pct < 50:
        raise NoAnswerError(
            f"tolerance: found {ask.tolerance_pct:g}, expected percent, for instance 1.0"
        )
    if ask.target is not None and not 0 < ask.target < 1:
        raise NoAnswerError(f"target: found {ask.target:g}, expected a share such as 0.9")
    if ask.tolerance_pct is None:
        return found
    return replace(found, meters=found.meters.with_columns(tolerance_pct=ask.tolerance_pct))
