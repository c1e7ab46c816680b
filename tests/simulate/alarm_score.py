"""How alarms compare with what really happened to a simulated fleet.

An alarm is (device kind, device, kind, day); it is right if it points at a
strike, a wrong entry, a jump or a meter whose noise grew. Strikes and entries count as findable
once their meter has three later observations.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

import polars as pl

from tests.simulate.fleets import Fleet

LATE_DAYS = 60
FINDABLE_AFTER = 3


@dataclass(frozen=True)
class Alarm:
    """One alarm, whatever raised it; day in days since the fleet's first."""

    device_kind: str
    device: str
    kind: str
    day: float


@dataclass(frozen=True)
class Tally:
    """Counts of one fleet; they add up over fleets."""

    strikes: int = 0
    strikes_named: int = 0
    entries: int = 0
    entries_named: int = 0
    jumps: int = 0
    jumps_named: int = 0
    blamed: int = 0  # meters with a step or entry that never was
    false_alarms: int = 0  # all alarms that point at nothing
    years: float = 0.0

    def __add__(self, other: Tally) -> Tally:
        summed = {name: value + getattr(other, name) for name, value in vars(self).items()}
        return Tally(**summed)


def tally(alarms: Iterable[Alarm], fleet: Fleet) -> Tally:
    """What the alarms of one fleet named, missed and invented."""
    alarms = list(alarms)
    truth = fleet.truth
    days = _observation_days(fleet)
    strikes = [s for s in truth.strikes if _later(days, s.meter_id, s.day) >= FINDABLE_AFTER]
    entries = [w for w in truth.wrong_entries if _later(days, w.meter_id, w.day) >= FINDABLE_AFTER]
    wrong = [a for a in alarms if not _explained(a, fleet, days)]
    blamed = {a.device for a in wrong if a.device_kind == "meter" and a.kind in ("step", "entry")}
    return Tally(
        strikes=len(strikes),
        strikes_named=sum(
            any(_is_step(a, s.meter_id, s.day, days) for a in alarms) for s in strikes
        ),
        entries=len(entries),
        entries_named=sum(any(_is_entry(a, w.meter_id, w.day) for a in alarms) for w in entries),
        jumps=len(truth.jumps),
        jumps_named=sum(any(_is_jump(a, j.device_id, j.day) for a in alarms) for j in truth.jumps),
        blamed=len(blamed),
        false_alarms=len(wrong),
        years=fleet.n_days / 365.25,
    )


def false_alarms(alarms: Iterable[Alarm], fleet: Fleet) -> list[Alarm]:
    """The alarms that point at nothing."""
    days = _observation_days(fleet)
    return [a for a in alarms if not _explained(a, fleet, days)]


def _observation_days(fleet: Fleet) -> dict[str, list[float]]:
    """Days of each meter's observations, in order."""
    days: dict[str, list[float]] = {m: [] for m in fleet.truth.meters}
    for name in ("bench", "comparisons"):
        for meter_id, at in fleet.frames[name].select("meter_id", "at").iter_rows():
            days[meter_id].append(fleet.day_of(at))
    for name, lent in fleet.truth.lent.items():
        mine = fleet.frames["comparisons"].filter(pl.col("reference_id") == name)
        days[lent] += [fleet.day_of(at) for at in mine["at"]]
    return {m: sorted(d) for m, d in days.items()}


def _later(days: dict[str, list[float]], meter_id: str, day: float) -> int:
    return sum(d > day + 0.5 for d in days[meter_id])


def _is_step(alarm: Alarm, meter_id: str, day: float, days: dict[str, list[float]]) -> bool:
    """A step of this meter, dated from the observation before it to 60 days after."""
    before = max((d for d in days[meter_id] if d < day), default=day)
    mine = (alarm.device_kind, alarm.device, alarm.kind) == ("meter", meter_id, "step")
    return mine and int(before) <= alarm.day <= day + LATE_DAYS


def _is_entry(alarm: Alarm, meter_id: str, day: float) -> bool:
    mine = (alarm.device_kind, alarm.device, alarm.kind) == ("meter", meter_id, "entry")
    return mine and abs(alarm.day - int(day)) <= 1


def _is_jump(alarm: Alarm, device_id: str, day: float) -> bool:
    return alarm.device == device_id and abs(alarm.day - day) <= LATE_DAYS


def _explained(alarm: Alarm, fleet: Fleet, days: dict[str, list[float]]) -> bool:
    truth = fleet.truth
    return (
        any(_is_step(alarm, s.meter_id, s.day, days) for s in truth.strikes)
        or any(_is_entry(alarm, w.meter_id, w.day) for w in truth.wrong_entries)
        or any(_is_jump(alarm, j.device_id, j.day) for j in truth.jumps)
        or (alarm.kind == "noise" and alarm.device in truth.noisy)
        or (alarm.kind == "wild")
        or (alarm.kind in ("season", "ride_season") and not fleet.options.thermometer)
        or any(u.meter_id == alarm.device and alarm.kind == "reset" for u in truth.unrecorded)
    )


def day_number(fleet: Fleet, when: date | datetime) -> float:
    """The day of an alarm's date, from the start of that date."""
    if isinstance(when, datetime):
        return fleet.day_of(when)
    return float((when - fleet.options.first_day).days)
