"""Pins: meters that must come to the bench in given weeks."""

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import Literal, TypedDict

import polars as pl

from models.season.season_ask import SeasonAsk, Weeks
from models.wording import NoAnswerError, unknown_name

AWAY_STATES = {"lent": "lent out", "at_service": "at service"}
TURNING_ONLY = "shows torque only when turning: hung masses prove nothing, compare it on rides"
_ISO_WEEK = re.compile(r"^(\d{4})-?W(\d{2})$", re.IGNORECASE)


class IdlePin(TypedDict):
    """A pin that a plan cannot keep. why: in words."""

    meter_id: str
    week: date
    why: Literal["outside this period", "cannot come to the bench"]


def monday_of(day: date) -> date:
    """Return the Monday of a day's week."""
    return day - timedelta(days=day.weekday())


def parse_pins(texts: Iterable[str]) -> dict[str, Weeks]:
    """Return pins written METER=WEEK: the week as one of its days, or as 2026-W10.

    NoAnswerError where one cannot be read.
    """
    pins: dict[str, Weeks] = {}
    for text in texts:
        meter, sign, week = text.rpartition("=")
        day = _week_day(week.strip())
        if not sign or not meter.strip() or day is None:
            raise NoAnswerError(
                f'found pin "{text}", expected METER=WEEK with the week as one of its days '
                "(2026-03-02) or as 2026-W10"
            )
        pins[meter.strip()] = (*pins.get(meter.strip(), ()), day)
    return pins


def _week_day(text: str) -> date | None:
    iso = _ISO_WEEK.match(text)
    try:
        if iso:
            return date.fromisocalendar(int(iso[1]), int(iso[2]), 1)
        return date.fromisoformat(text)
    except ValueError:
        return None


def reasons_away(meters: pl.DataFrame) -> dict[str, str]:
    """Return why meters cannot come to the bench, by id; those that are gone are left out.

    In   meters: meter_id, gone, state, static_check
    """
    here = meters.filter(~pl.col("gone")).select("meter_id", "state", "static_check")
    reasons = {}
    for meter, state, static in here.iter_rows():
        if state in AWAY_STATES:
            reasons[meter] = f"{AWAY_STATES[state]}: it cannot come to the bench"
        elif static is False:
            reasons[meter] = TURNING_ONLY
    return reasons


def pins_in_force(
    kept: Mapping[str, Weeks], meters: pl.DataFrame, ask: SeasonAsk, *, today: date
) -> tuple[dict[str, Weeks], list[IdlePin]]:
    """Return the pins that a plan can keep, and the others with why it cannot.

    In   kept: by meter; meters: the roster
    """
    begin = monday_of(max(ask.first, today))
    able = set(meters.filter(~pl.col("gone"))["meter_id"]) - set(reasons_away(meters))
    held: dict[str, Weeks] = {}
    idle: list[IdlePin] = []
    for meter, weeks in kept.items():
        for week in weeks:
            if meter not in able:
                idle.append({"meter_id": meter, "week": week, "why": "cannot come to the bench"})
            elif not begin <= week <= ask.last:
                idle.append({"meter_id": meter, "week": week, "why": "outside this period"})
            else:
                held[meter] = (*held.get(meter, ()), week)
    return held, idle


def check_pins(ask: SeasonAsk, known: Sequence[str], away: Mapping[str, str], first: date) -> None:
    """Raise NoAnswerError where a pin names a meter that cannot come, or no week of the plan.

    known: meters that can come; away: why others cannot; first: the plan's first day
    """
    for meter, days in ask.pins.items():
        if meter in away:
            raise NoAnswerError(f"{meter} cannot be pinned: {away[meter]}")
        if meter not in known:
            raise NoAnswerError(unknown_name(meter, sorted(known), what="pin of"))
        for day in days:
            if not monday_of(first) <= monday_of(day) <= ask.last:
                raise NoAnswerError(
                    f"{meter} is pinned to the week of {monday_of(day)}, outside the plan's "
                    f"{first} to {ask.last}"
                )
