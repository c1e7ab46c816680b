"""What each alarm says: what happened, how sure it is, what a mechanic does about it."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from models.fleet.design import EVENT_STEP_SD, Effect, Prepared, event_instants
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
    kind = (alarm.effect.device_kind, alarm.effect.kind)
    if kind == ("meter", "step"):
        return _meter_step(alarm, prepared)
    say = {
        ("reference", "step"): _reference_step,
        ("bench", "step"): _bench_step,
        ("bench", "offset"): _bench_offset,
        ("meter", "entry"): _entry,
        ("meter", "noise"): _noise,
        ("group", "bend"): _bend,
    }[kind]
    return say(alarm)


def _meter_step(alarm: Alarm, prepared: Prepared) -> Reason:
    """Return the step, with what was done to the meter there or tells of it, and work since."""
    done: list[Reason] = []
    zero_jumps: list[Reason] = []
    later: list[Reason] = []
    for event, on, note, at in _events(alarm.effect.device, prepared):
        if alarm.effect.since - _NEAR_YEARS <= at <= alarm.effect.at + _NEAR_YEARS:
            if event == "zero_step":
                zero_jumps.append(Reason("zero_jump_too", on=on, note=note))
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


def _reference_step(alarm: Alarm) -> Reason:
    return Reason(
        "reference_step",
        device=alarm.effect.device,
        size_pct=alarm.size_pct,
        half_pct=alarm.half_pct,
        when=alarm.when,
    )


def _bench_step(alarm: Alarm) -> Reason:
    return Reason(
        "bench_step",
        device=alarm.effect.device,
        size_pct=alarm.size_pct,
        half_pct=alarm.half_pct,
        when=alarm.when,
    )


def _bench_offset(alarm: Alarm) -> Reason:
    device, size, half = alarm.effect.device, alarm.size_pct, alarm.half_pct
    if size > 0:
        return Reason("bench_heavier", device=device, size_pct=size, half_pct=half)
    return Reason("bench_lighter", device=device, size_pct=size, half_pct=half)


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


def _noise(alarm: Alarm) -> Reason:
    effect = alarm.effect
    return Reason("noise", device=effect.device, factor=effect.factor, on=alarm.on)


def _bend(alarm: Alarm) -> Reason:
    group, size, half, on = alarm.effect.device, alarm.size_pct, alarm.half_pct, alarm.on
    if size > 0:
        return Reason("bend_up", group=group, size_pct=size, half_pct=half, on=on)
    return Reason("bend_down", group=group, size_pct=size, half_pct=half, on=on)
