"""What each alarm says: what happened, how sure it is, what a mechanic does about it."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from models.bench import EVENT_STEP_SD
from models.fleet.design import Effect, Prepared, event_instants
from models.metrology import DAYS_A_YEAR, date_of
from models.wording import Reason

_NEAR_YEARS = 3 / DAYS_A_YEAR


@dataclass(frozen=True)
class Alarm:
    """One alarm, sizes in plain percent; consequence: shift of the gain error since a reset."""

    effect: Effect
    date_year: float
    size_pct: float
    size_sd_pct: float
    consequence_pct: float | None
    score: float

    @property
    def half_pct(self) -> float:
        """Twice the sd of the size."""
        return 2 * self.size_sd_pct

    @property
    def on(self) -> date:
        """The day of the first observation that shows it."""
        return date_of(self.effect.at)

    @property
    def when(self) -> Reason:
        """Between which observations it lies."""
        first = date_of(self.effect.since)
        if first == self.on:
            return Reason("on_day", on=self.on)
        return Reason("between_days", first=first, last=self.on)


def alarm_reason(alarm: Alarm, prepared: Prepared) -> Reason:
    """Return what an alarm says."""
    said = _reason(alarm, prepared)
    return Reason("not_carried", said=said) if alarm.effect.proposed else said


def _reason(alarm: Alarm, prepared: Prepared) -> Reason:
    effect, on, when = alarm.effect, alarm.on, alarm.when
    device, size, half = effect.device, alarm.size_pct, alarm.half_pct
    if effect.kind == "season":
        return Reason("season", group=device, size_pct=size, half_pct=half, on=on)
    if effect.kind == "ride_season":
        return Reason("ride_season", group=device, size_pct=size, half_pct=half, on=on)
    if effect.kind == "step":
        if effect.device_kind == "meter":
            return _meter_step(alarm, prepared)
        if effect.device_kind == "reference":
            return Reason("reference_step", device=device, size_pct=size, half_pct=half, when=when)
        return Reason("bench_step", device=device, size_pct=size, half_pct=half, when=when)
    if effect.kind == "offset":
        if size > 0:
            return Reason("bench_heavier", device=device, size_pct=size, half_pct=half)
        return Reason("bench_lighter", device=device, size_pct=size, half_pct=half)
    if effect.kind == "entry":
        return _entry(alarm)
    if effect.kind == "noise":
        return Reason("noise", device=device, factor=effect.factor, on=on)
    if size > 0:
        return Reason("bend_up", group=device, size_pct=size, half_pct=half, on=on)
    return Reason("bend_down", group=device, size_pct=size, half_pct=half, on=on)


def _meter_step(alarm: Alarm, prepared: Prepared) -> Reason:
    """Return the step, with what was done to the meter there or tells of it, and work since."""
    done: list[Reason] = []
    zero_jumps: list[Reason] = []
    later: list[Reason] = []
    for event, on, note, at in _events(alarm.effect.device, prepared):
        if alarm.effect.since - _NEAR_YEARS <= at <= alarm.effect.at + _NEAR_YEARS:
            if event == "zero_step":
                zero_jumps.append(Reason("zero_jump_too", note=note))
            else:
                done.append(Reason("event", event=event, on=on, note=note))
        elif event == "work" and at > alarm.effect.at:
            later.append(Reason("work_came_after", on=on, note=note))
    device, size, half = alarm.effect.device, alarm.size_pct, alarm.half_pct
    if done:
        return Reason(
            "step_explained",
            device=device,
            size_pct=size,
            half_pct=half,
            when=alarm.when,
            done=tuple(done),
        )
    return Reason(
        "step_unrecorded",
        device=device,
        size_pct=size,
        half_pct=half,
        when=alarm.when,
        also=(*zero_jumps, *later),
    )


def _events(meter: str, prepared: Prepared) -> list[tuple[str, date, str | None, float]]:
    """Return a meter's events that may move its gain: event, day, note, instant in years."""
    events = prepared.data.events.filter(
        (pl.col("meter_id") == meter) & pl.col("event").is_in(list(EVENT_STEP_SD))
    ).sort("on")
    rows = events.select("event", "on", "note").iter_rows()
    return [
        (event, on, note or None, at)
        for (event, on, note), at in zip(rows, event_instants(events), strict=True)
    ]


def _entry(alarm: Alarm) -> Reason:
    effect, shift = alarm.effect, alarm.consequence_pct
    found = Reason(
        "entry",
        on=alarm.on,
        session=effect.observation,
        device=effect.device,
        size_pct=alarm.size_pct,
        half_pct=alarm.half_pct,
    )
    if shift is None:
        return found
    return Reason("entry_reset_on", entry=found, consequence_pct=shift)
