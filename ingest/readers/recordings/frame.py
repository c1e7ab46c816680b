"""From decoded samples to a recording's frame: one clock, one row an instant, possible values."""

import math
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from numpy.typing import NDArray

Numbers = NDArray[np.float64]

SAMPLE_RANGES: dict[str, tuple[float, float, str]] = {
    "power_w": (0.0, 5000.0, "W"),
    "cadence_rpm": (0.0, 300.0, "rpm"),
    "temperature_c": (-60.0, 80.0, "°C"),
    "balance_pct": (0.0, 100.0, "%"),
}
"""Sample columns with their possible range; values outside are left out, and counted."""

EARLIEST, LATEST = 899_501_056.0, 4_102_444_800.0
"""Unix seconds of 1998-07-03 (below it a FIT time counts from switching on) and 2100-01-01."""
LONGEST_PAUSE_S = 7 * 86_400.0
MAX_STRETCHES = 100
COASTING_RPM = 20.0
LONE_W, LONE_TIMES, LONE_SHARE = 100.0, 4.0, 0.007
"""A power stands alone that is so far above or below both its neighbours, and so many times further
than 97 % of the ride's; the share of the ride's work from which on they are damage. Legs and
inertia seldom make one second unlike the second before and the one after: of stretches of 5 to 20
minutes cut from five real rides 1 to 4 in 1,000 reach the share, of the whole rides none."""


@dataclass
class Samples:
    """Samples as a decoder gives them, in file order.

    seconds  Unix seconds, or seconds from any start when `dated` is false
    values   for each name of SAMPLE_RANGES that the file has: as many values, NaN for none
    """

    seconds: Numbers
    values: dict[str, Numbers] = field(default_factory=dict)
    dated: bool = True


Message = dict[str | int, object]


@dataclass
class Decoded:
    """What the reader of a format returns: samples, not cleaned yet, and device messages.

    faults   what is wrong with the file; notices: what is worth knowing
    """

    samples: Samples
    decoder: str
    faults: list[str] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    messages: dict[str, list[Message]] = field(default_factory=dict)


@dataclass
class Cleaned:
    """The frame, what was left out (notices), and signs of damage (faults)."""

    frame: pl.DataFrame
    notices: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def unix_seconds(text: str | None, zone: str = "UTC") -> float:
    """Return the instant of an ISO 8601 text with date and time; NaN for anything else.

    zone: of a time without an offset
    """
    given = (text or "").strip()
    try:
        instant = datetime.fromisoformat(given)
    except ValueError:
        return math.nan
    if len(given) <= 10:  # a day alone is not an instant
        return math.nan
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=ZoneInfo(zone))
    return instant.timestamp()


def clean(samples: Samples) -> Cleaned:
    """Return samples, given in file order, on one clock and with possible values alone.

    Out  `frame`: time (Datetime, UTC, or Float64 seconds when there are no dates); power_w,
         cadence_rpm, temperature_c, balance_pct, all Float64 with nulls. Times rise strictly.
    Single records out of step and stretches that overlap a longer one or lie more than a week
    off are left out; values of the same instant are joined, the later one wins.
    """
    cleaned = Cleaned(pl.DataFrame())
    samples = _within_calendar(samples, cleaned)
    samples = _in_step(samples, cleaned)
    samples = _one_stretch_at_a_time(samples, cleaned)
    samples = _without_absurd_values(samples, cleaned)
    cleaned.frame = _without_lone_power(_joined(samples, cleaned), cleaned)
    return cleaned


def _kept(samples: Samples, keep: NDArray[np.bool_]) -> Samples:
    values = {name: column[keep] for name, column in samples.values.items()}
    return Samples(samples.seconds[keep], values, samples.dated)


def _within_calendar(samples: Samples, cleaned: Cleaned) -> Samples:
    """Leave out records without a possible time; tell a clock without a date."""
    seconds = samples.seconds
    possible = np.isfinite(seconds)
    if samples.dated and possible.any():
        dated = possible & (seconds >= EARLIEST) & (seconds <= LATEST)
        if not dated.any() and (seconds[possible] < EARLIEST).all():
            first = float(seconds[possible].min())
            cleaned.notices.append("its clock had no date: times are seconds from the start")
            samples = Samples(seconds - first, samples.values, dated=False)
        else:
            possible = dated
    dropped = int((~possible).sum())
    if dropped:
        cleaned.faults.append(f"{dropped} records without a possible time were left out")
        samples = _kept(samples, possible)
    return samples


def _in_step(samples: Samples, cleaned: Cleaned) -> Samples:
    """Leave out single records whose time jumps away and back, as a flipped bit makes it."""
    t = samples.seconds
    if len(t) < 3:
        return samples
    before, here, after = t[:-2], t[1:-1], t[2:]
    ordered = (before <= after) & ((here < before) | (here > after))
    alone = (np.abs(here - before) > LONGEST_PAUSE_S) & (np.abs(here - after) > LONGEST_PAUSE_S)
    keep = np.ones(len(t), dtype=bool)
    keep[1:-1] = ~(ordered | alone)
    dropped = int((~keep).sum())
    if dropped:
        cleaned.faults.append(f"{dropped} records out of step with their neighbours were left out")
    return _kept(samples, keep) if dropped else samples


def _one_stretch_at_a_time(samples: Samples, cleaned: Cleaned) -> Samples:
    """Leave out, where the clock was set, stretches that contradict a longer one."""
    t = samples.seconds
    step = np.diff(t)
    cuts = np.flatnonzero((step < 0) | (step > LONGEST_PAUSE_S)) + 1
    if not len(cuts):
        return samples
    stretches = sorted(pairwise([0, *cuts.tolist(), len(t)]), key=lambda s: s[0] - s[1])
    kept: list[tuple[int, int]] = []
    for start, end in stretches[:MAX_STRETCHES]:
        if all(_apart(t, (start, end), other) for other in kept):
            kept.append((start, end))
    keep = np.zeros(len(t), dtype=bool)
    for start, end in kept:
        keep[start:end] = True
    dropped = int((~keep).sum())
    if dropped:
        cleaned.notices.append(
            f"its clock was set during the ride: {dropped} records from before or after "
            "contradict the longest stretch and were left out"
        )
    ordered = _kept(samples, keep)
    order = np.argsort(ordered.seconds, kind="stable")
    values = {name: column[order] for name, column in ordered.values.items()}
    return Samples(ordered.seconds[order], values, samples.dated)


def _apart(t: Numbers, one: tuple[int, int], other: tuple[int, int]) -> bool:
    """Return whether two stretches neither overlap nor lie further apart than the longest pause."""
    gap = max(t[one[0]] - t[other[1] - 1], t[other[0]] - t[one[1] - 1])
    return bool(0 <= gap <= LONGEST_PAUSE_S)


def _without_absurd_values(samples: Samples, cleaned: Cleaned) -> Samples:
    values = {}
    for name, column in samples.values.items():
        low, high, unit = SAMPLE_RANGES[name]
        absurd = (column < low) | (column > high) | np.isinf(column)
        count = int(absurd.sum())
        if count:
            worst = float(column[absurd][np.argmax(np.abs(column[absurd]))])
            cleaned.notices.append(
                f"{name}: {count} values like {worst:g} were left out, "
                f"expected {low:g} to {high:g} {unit}"
            )
            column = np.where(absurd, np.nan, column)
        values[name] = column
    return Samples(samples.seconds, values, samples.dated)


def _frame(samples: Samples) -> pl.DataFrame:
    if samples.dated:
        micros = pl.Series("time", np.round(samples.seconds * 1e6).astype(np.int64))
        times = micros.cast(pl.Datetime("us", "UTC"))
    else:
        times = pl.Series("time", samples.seconds, dtype=pl.Float64)
    absent = np.full(len(samples.seconds), np.nan)
    columns = [
        pl.Series(name, samples.values.get(name, absent), nan_to_null=True)
        for name in SAMPLE_RANGES
    ]
    return pl.DataFrame([times, *columns])


def _joined(samples: Samples, cleaned: Cleaned) -> pl.DataFrame:
    """Return one row an instant: of equal times the last value of each column."""
    frame = _frame(samples)
    repeats = int((np.diff(samples.seconds) == 0).sum())
    if not repeats:
        return frame
    cleaned.notices.append(f"{repeats} records had the time of another and were joined with it")
    clock = frame.columns[0]
    last = pl.all().exclude(clock).drop_nulls().last()
    return frame.group_by(clock, maintain_order=True).agg(last)


def _without_lone_power(frame: pl.DataFrame, cleaned: Cleaned) -> pl.DataFrame:
    """Leave out single powers that nothing leads to, where they would move the mean power."""
    power = frame["power_w"].to_numpy()
    known = np.flatnonzero(np.isfinite(power))
    if len(known) < 60 or not power[known].sum():
        return frame
    off = _beyond_neighbours(power[known])
    coasting = frame["cadence_rpm"].to_numpy()[known] < COASTING_RPM
    off[coasting & (off < 0)] = 0
    limit = max(LONE_W, LONE_TIMES * float(np.quantile(np.abs(off), 0.97)))
    lone = np.zeros(len(off), dtype=bool)
    for side in (off, -off):
        if side[side > limit].sum() > LONE_SHARE * power[known].sum():
            lone |= side > limit
    if not lone.any():
        return frame
    worst = int(np.argmax(np.where(lone, np.abs(off), 0)))
    before, value, after = power[known[[worst - 1, worst, worst + 1]]]
    cleaned.faults.append(
        f"power_w: {int(lone.sum())} values that neither neighbour comes near, like {value:g} W "
        f"between {before:g} and {after:g} W, were left out: they would move the mean power"
    )
    kept = power.copy()
    kept[known[lone]] = np.nan
    return frame.with_columns(pl.Series("power_w", kept, nan_to_null=True))


def _beyond_neighbours(power: Numbers) -> Numbers:
    """Return how far each value is above both its neighbours, or below both (W); else 0."""
    off = np.zeros(len(power))
    here, high = power[1:-1], np.maximum(power[:-2], power[2:])
    low = np.minimum(power[:-2], power[2:])
    off[1:-1] = np.maximum(here - high, 0) - np.maximum(low - here, 0)
    return off
