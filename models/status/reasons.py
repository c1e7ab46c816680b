"""Why a meter has its status, and what to do next."""

from collections.abc import Iterable, Iterator
from datetime import date
from typing import TypedDict

import polars as pl

from models.records import typed_rows
from models.wording import Reason

ROUNDS_TO_ZERO_PCT = 0.05
TELLING_DRIFT_PCT = 0.05


class Facts(TypedDict):
    """A meter's row, as far as its reasons ask."""

    status: str
    gain_error_pct: float
    lo90_pct: float
    hi90_pct: float
    p_within_tolerance: float | None
    tolerance_pct: float
    due_date: date | None
    last_bench: date | None
    last_comparison: date | None
    slope_convention: str | None
    drift_pct_per_year: float | None
    drift_sd_pct_per_year: float | None
    has_alarm: bool | None
    left_pct: float | None
    right_pct: float | None


CALM = ("nothing_to_do", "bench_before_or_planned")  # what an alarm contradicts


def tell(
    facts: pl.DataFrame, *, as_of: date, target: float
) -> list[tuple[tuple[Reason, ...], Reason]]:
    """Return the reasons and the next action of each row.

    facts: columns as in `Facts`; of a meter that was not fitted its numbers are null
    """
    return [
        (tuple(_reasons(row, as_of, target)), _next_action(row)) for row in typed_rows(facts, Facts)
    ]


def most_telling(reasons: Iterable[Reason], status: str) -> str | None:
    """Return the first reason that is worth a line, in few words; None of a meter that is fine."""
    return None if status == "ok" else next(filter(None, (r.short for r in reasons)), None)


def how_long(earlier: date, later: date) -> Reason | None:
    """Return a time as exact as a mechanic needs: days, weeks or months; None for today."""
    days = (later - earlier).days
    if days <= 0:
        return None
    if days < 21:
        return Reason("one_day") if days == 1 else Reason("days", n=days)
    if days < 84:
        return Reason("weeks", n=round(days / 7))
    return Reason("months", n=round(days / 30.44))


def _reasons(row: Facts, as_of: date, target: float) -> Iterator[Reason]:
    if row["p_within_tolerance"] is None:
        yield Reason("not_fitted")
    elif row["status"] == "unknown":
        yield Reason("never_benched", low_pct=row["lo90_pct"], high_pct=row["hi90_pct"])
    else:
        yield _reading(row)
        yield _chance(row, row["p_within_tolerance"], target)
        yield from _age(row, as_of)
        yield from _drift(row)


def _lost(row: Facts) -> bool:
    """Return whether a meter counts as out although it is not expected to read beyond its limit."""
    worst = max(map(abs, (row["gain_error_pct"], *_sides(row))))
    return row["status"] == "out" and worst <= row["tolerance_pct"]


def _sides(row: Facts) -> tuple[float, ...]:
    """Return the gain errors of a pair's sides, left and right; nothing for any other meter."""
    left, right = row["left_pct"], row["right_pct"]
    return () if left is None or right is None else (left, right)


def _reading(row: Facts) -> Reason:
    limit, error = row["tolerance_pct"], row["gain_error_pct"]
    low, high = row["lo90_pct"], row["hi90_pct"]
    if _lost(row):
        return Reason("reading_unknown", low_pct=low, high_pct=high, tolerance_pct=limit)
    half = (high - low) / 2
    sides = _sides(row)
    if sides and max(map(abs, sides)) > limit:
        return Reason(
            "sides_read",
            left_pct=sides[0],
            right_pct=sides[1],
            error_pct=error,
            half_pct=half,
            tolerance_pct=limit,
        )
    if abs(error) < ROUNDS_TO_ZERO_PCT:
        return Reason("reads_right", half_pct=half, tolerance_pct=limit)
    return Reason("reads", error_pct=error, half_pct=half, tolerance_pct=limit)


def _chance(row: Facts, p: float, target: float) -> Reason:
    limit, due_on = row["tolerance_pct"], row["due_date"]
    if row["status"] in ("out", "due"):
        return Reason("chance_below_target", tolerance_pct=limit, p=p, target=target)
    if due_on is None:
        return Reason("chance_holds", tolerance_pct=limit, p=p, target=target)
    return Reason("chance_falls", tolerance_pct=limit, p=p, target=target, due_on=due_on)


def _age(row: Facts, as_of: date) -> Iterator[Reason]:
    benched, compared = row["last_bench"], row["last_comparison"]
    if benched is None:
        return
    ago = how_long(benched, as_of)
    yield Reason("benched_today") if ago is None else Reason("benched", ago=ago)
    if compared is None:
        yield Reason("never_compared")
    elif compared > benched:
        ago = how_long(compared, as_of)
        yield Reason("compared_today") if ago is None else Reason("compared", ago=ago)


def _drift(row: Facts) -> Iterator[Reason]:
    rate, sd = row["drift_pct_per_year"], row["drift_sd_pct_per_year"]
    if rate is None or sd is None:
        return
    if abs(rate) > 2 * sd and abs(rate) >= TELLING_DRIFT_PCT:
        yield Reason("drifts", drift_pct=rate)


def _next_action(row: Facts) -> Reason:
    action = _action(row)
    if not row["has_alarm"]:
        return action
    return Reason("alarm_first", action=Reason("bench_then") if action.kind in CALM else action)


def _action(row: Facts) -> Reason:
    status, due_on = row["status"], row["due_date"]
    if status == "unknown" or _lost(row):
        return Reason("bench_as_found")
    if status == "out":
        fixed = row["slope_convention"] == "fixed"
        return Reason("correct_if_confirmed") if fixed else Reason("reset_if_confirmed")
    if status == "due":
        return Reason("bench_now")
    if due_on is None:
        return Reason("nothing_to_do")
    if status == "soon":
        return Reason("bench_before", due_on=due_on)
    return Reason("bench_before_or_planned", due_on=due_on)
