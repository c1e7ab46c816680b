"""The sentence of each alarm: what happened, how sure it is, what a mechanic does about it."""

from dataclasses import dataclass

import polars as pl

from models.fleet.design import EVENT_STEP_SD, Effect, Prepared, event_instants
from models.metrology import DAYS_A_YEAR, date_of

_NEAR_YEARS = 3 / DAYS_A_YEAR
_EVENT_WORDS = {
    "work": "work at the bench",
    "side_service": "service of one side",
    "zero_step": "jump of its zero",
}


@dataclass(frozen=True)
class Alarm:
    """One alarm, sizes in plain percent; consequence: shift of the gain error since a reset."""

    effect: Effect
    date_year: float
    size_pct: float
    size_sd_pct: float
    consequence_pct: float | None
    score: float


def alarm_text(alarm: Alarm, prepared: Prepared) -> str:
    """One alarm in words."""
    write = {
        ("meter", "step"): _meter_step,
        ("reference", "step"): _reference_step,
        ("bench", "step"): _bench_step,
        ("bench", "offset"): _bench_offset,
        ("meter", "entry"): _entry,
        ("meter", "noise"): _noise,
        ("group", "bend"): _bend,
    }[alarm.effect.device_kind, alarm.effect.kind]
    return write(alarm, prepared)


def _direction(size: float) -> str:
    return "high" if size > 0 else "low"


def _between(alarm: Alarm) -> str:
    first, last = date_of(alarm.effect.since), date_of(alarm.effect.at)
    return f"between {first.isoformat()} and {last.isoformat()}" if first != last else f"on {last}"


def _size(alarm: Alarm) -> str:
    return f"{abs(alarm.size_pct):.1f} % (± {2 * alarm.size_sd_pct:.1f})"


def _meter_step(alarm: Alarm, prepared: Prepared) -> str:
    head = (
        f"{alarm.effect.device} has read {_size(alarm)} {_direction(alarm.size_pct)}er than before "
        f"since a sudden step {_between(alarm)}"
    )
    found = _recorded(alarm, prepared)
    done, later, zero = (" and ".join(found[key]) for key in ("done", "later", "zero"))
    if done:
        return (
            f"{head}: {done} may have done it. See that it was finished well, then take it to the "
            "bench before its slope is changed."
        )
    also = f" {zero[0].upper()}{zero[1:]} tells of the same." if zero else ""
    also += f" {later[0].upper()}{later[1:]} came after it." if later else ""
    return (
        f"{head} that nobody recorded.{also} Look for a blow, loose bolts or a loose ring, then "
        "take it to the bench before its slope is changed."
    )


def _recorded(alarm: Alarm, prepared: Prepared) -> dict[str, list[str]]:
    """What was done to the meter where the step lies, jumps of its zero there, and work at the
    bench later."""
    found: dict[str, list[str]] = {"done": [], "zero": [], "later": []}
    events = prepared.data.events.filter(
        (pl.col("meter_id") == alarm.effect.device) & pl.col("event").is_in(list(EVENT_STEP_SD))
    ).sort("on")
    for row, at in zip(events.iter_rows(named=True), event_instants(events), strict=True):
        word = _EVENT_WORDS.get(row["event"], row["event"].replace("_", " "))
        of = "about" if row["event"] == "zero_step" else "of"  # it was seen after it happened
        said = f"the {word} {of} {row['on']}"
        said += f" ({row['note']})" if row["note"] else ""
        if alarm.effect.since - _NEAR_YEARS <= at <= alarm.effect.at + _NEAR_YEARS:
            found["zero" if row["event"] == "zero_step" else "done"].append(said)
        elif row["event"] == "work" and at > alarm.effect.at:
            found["later"].append(said)
    return found


def _reference_step(alarm: Alarm, prepared: Prepared) -> str:
    return (
        f"{alarm.effect.device} has read {_size(alarm)} {_direction(alarm.size_pct)}er than before "
        f"since a step {_between(alarm)}; several meters agree, so they are not to blame. Ask what "
        "was done to it (spindown, firmware, service) and record it as an event."
    )


def _bench_step(alarm: Alarm, prepared: Prepared) -> str:
    return (
        f"Sessions on {alarm.effect.device} have found {_size(alarm)} {_direction(alarm.size_pct)}"
        f"er values since {_between(alarm)}. Weigh its masses and hanger again: a part may have "
        "been exchanged or left off."
    )


def _bench_offset(alarm: Alarm, prepared: Prepared) -> str:
    heavier = "heavier" if alarm.size_pct > 0 else "lighter"
    return (
        f"Sessions on {alarm.effect.device} find {_size(alarm)} {_direction(alarm.size_pct)}er "
        f"values than the rest of the fleet's evidence: its masses behave as if {heavier} than "
        "stated by so much. Weigh them; the meters are not to blame."
    )


def _entry(alarm: Alarm, prepared: Prepared) -> str:
    text = (
        f"The session of {date_of(alarm.effect.at).isoformat()} ({alarm.effect.observation}) found "
        f"{alarm.effect.device} {_size(alarm)} too {_direction(alarm.size_pct)}, against what "
        "came before and after. Check the crank length, hanger and mass set written down for it."
    )
    if alarm.consequence_pct is None:
        return text
    return (
        f"{text} The slope was reset on it: the meter has read {abs(alarm.consequence_pct):.1f} % "
        f"too {_direction(alarm.consequence_pct)} since. Measure it again and set the slope anew."
    )


def _noise(alarm: Alarm, prepared: Prepared) -> str:
    return (
        f"{alarm.effect.device}'s comparisons scatter {alarm.effect.factor:.1f} times as much as "
        f"they used to since {date_of(alarm.effect.at).isoformat()}. Check battery, bolts, "
        "bearings and the zero before each ride."
    )


def _bend(alarm: Alarm, prepared: Prepared) -> str:
    way = "upwards" if alarm.size_pct > 0 else "downwards"
    return (
        f"The meters of group {alarm.effect.device} have drifted {abs(alarm.size_pct):.1f} % a "
        f"year (± {2 * alarm.size_sd_pct:.1f}) further {way} "
        f"since about {date_of(alarm.effect.at).isoformat()} than in their past. Look for what "
        "they have in common: firmware, a batch, storage, a way of mounting."
    )
