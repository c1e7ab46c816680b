"""Follow the changes of a meter's gain error that are known and no drift: settings, stated sizes.

A pedal multiplies force by the crank length that is programmed into it: 172.5 mm programmed on a
crank of 170 mm read 172.5/170 − 1 = 1.47 % high from the day of that installation on. The error
is one of the setting, so the model carries it beside the programmed slope, and the slope is left.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

import polars as pl

from ingest.schema import confirmed, frame_schema
from models.bench import rule_of
from models.metrology import ln_from_percent, ln_from_ratio, percent_from_ln

SAME_LENGTH_MM = 0.05
_UTC = pl.Datetime("us", "UTC")


class _Change(NamedTuple):
    """A known change of a meter's gain error, before and after it."""

    meter_id: str
    on: date
    before: float
    after: float
    kind: str
    programmed_mm: float | None
    crank_mm: float | None


CHANGE_SCHEMA = frame_schema(_Change)


@dataclass(frozen=True)
class _Cause:
    """What sets a meter's gain error to a level (a setting) or moves it by a step (an event)."""

    meter_id: str
    on: date
    event: str | None = None
    level: float | None = None
    step: float = 0.0
    programmed_mm: float | None = None
    crank_mm: float | None = None

    @property
    def kind(self) -> str:
        """Return setting or event."""
        return "setting" if self.event is None else "event"


def known_changes(
    meters: pl.DataFrame, installations: pl.DataFrame, events: pl.DataFrame
) -> pl.DataFrame:
    """Return every known change of a gain error by a setting, or by an event of stated size.

    In   meters: meter_id, kind; installations and events: the tables of these names
    Out  CHANGE_SCHEMA, a row a change in order of its day (it holds from that day's start):
         before and after are what all known changes add to the gain error, 100·ln; kind: setting
         (programmed against real crank length) or event. The first row of a meter that was set
         wrong from the beginning has before = after.
    """
    kinds = dict(meters.select("meter_id", "kind").iter_rows())
    by_meter: dict[str, list[_Cause]] = defaultdict(list)
    for setting in _settings(installations, kinds):
        by_meter[setting.meter_id].append(setting)
    for event in _stated(events, kinds):
        own = by_meter[event.meter_id]
        if event.event != "setting_change" or not _explained(own, event.on):
            own.append(event)
    rows = [change for meter in sorted(by_meter) for change in _summed(by_meter[meter])]
    return pl.DataFrame(rows, schema=CHANGE_SCHEMA, orient="row")


def setting_error_ln(programmed_mm: float | None, crank_mm: float | None) -> float:
    """Return what a programmed crank length adds to the gain error, 100·ln; 0 if one is unknown."""
    if not programmed_mm or not crank_mm or abs(programmed_mm - crank_mm) < SAME_LENGTH_MM:
        return 0.0
    return ln_from_ratio(programmed_mm / crank_mm)


def _settings(installations: pl.DataFrame, kinds: dict[str, str | None]) -> Iterable[_Cause]:
    """Yield the setting error of each installation of a meter that computes with a crank length."""
    last: dict[str, float] = {}  # what stays programmed where an installation does not say
    for row in installations.sort("meter_id", "from_date").iter_rows(named=True):
        meter, start, crank = row["meter_id"], row["from_date"], row["crank_length_mm"]
        if meter not in kinds or start is None or not rule_of(kinds[meter]).uses_length:
            continue
        programmed = row["programmed_crank_length_mm"] or last.get(meter)
        if programmed is None or crank is None:
            continue
        last[meter] = programmed
        level = setting_error_ln(programmed, crank)
        yield _Cause(meter, start, level=level, programmed_mm=programmed, crank_mm=crank)


def _stated(events: pl.DataFrame, kinds: dict[str, str | None]) -> Iterable[_Cause]:
    """Yield the confirmed events of meters that say by how much they changed the gain error."""
    counted = events.filter(
        pl.col("meter_id").is_in(list(kinds))
        & pl.col("size_pct").is_finite()
        & (pl.col("size_pct") > -100)
        & confirmed()
    ).sort("date")
    for meter, day, event, size in counted.select(
        "meter_id", "date", "event", "size_pct"
    ).iter_rows():
        yield _Cause(meter, day, event=event, step=ln_from_percent(size))


def _explained(causes: list[_Cause], day: date) -> bool:
    """Tell whether an installation of that very day already says what was set."""
    return any(cause.event is None and cause.on == day for cause in causes)


def _summed(causes: list[_Cause]) -> Iterable[_Change]:
    """Yield one meter's changes in order: what latest setting and all stated events add up to."""
    ordered = sorted(causes, key=lambda cause: cause.on)
    level = next((cause.level for cause in ordered if cause.level is not None), 0.0)
    stated, nothing_yet = 0.0, True
    for cause in ordered:
        before = level + stated
        level = level if cause.level is None else cause.level
        stated += cause.step
        after = level + stated
        if after != before or (nothing_yet and after != 0.0):
            nothing_yet = False
            yield _Change(
                cause.meter_id,
                cause.on,
                before,
                after,
                cause.kind,
                cause.programmed_mm,
                cause.crank_mm,
            )


def with_known_changes(resets: pl.DataFrame, changes: pl.DataFrame) -> pl.DataFrame:
    """Return the slope's changes and the known ones as one course of p, for the models.

    In   resets: as from `slope_chain`; changes: as from `known_changes`
    Out  resets' columns; p_before and p_after hold slope and settings together (a gain error is
         the sensor's less p, so a setting that reads high lowers p). A meter without known
         changes keeps its rows as they are.
    """
    if changes.is_empty():
        return resets
    touched = changes["meter_id"].unique().implode()
    own = resets.filter(pl.col("meter_id").is_in(touched))
    day = pl.col("on").cast(pl.Datetime("us")).dt.replace_time_zone("UTC").cast(_UTC)
    known = changes.select(
        "meter_id",
        day.alias("at"),
        p_before=-pl.col("before"),
        p_after=-pl.col("after"),
        step_pct=percent_from_ln(pl.col("after") - pl.col("before")),
        recorded=pl.lit(True),
        earliest=day,
        latest=day,
    )
    joined = pl.concat([own, known], how="diagonal").sort("meter_id", "at", maintain_order=True)
    start = known.group_by("meter_id").agg(_start=pl.col("p_before").first())
    step = pl.col("p_after") - pl.col("p_before")
    summed = joined.join(start, on="meter_id", how="left", maintain_order="left").with_columns(
        p_after=pl.col("_start") + step.cum_sum().over("meter_id")
    )
    summed = summed.with_columns(p_before=pl.col("p_after") - step).select(resets.columns)
    rest = resets.filter(~pl.col("meter_id").is_in(touched))
    return pl.concat([rest, summed]).sort("meter_id", "at", maintain_order=True)
