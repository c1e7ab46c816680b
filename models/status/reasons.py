"""The sentences beside a meter's status: why, and what to do next."""

from collections.abc import Iterable
from datetime import date
from typing import Any

import polars as pl

Facts = dict[str, Any]


def tell(facts: pl.DataFrame, *, as_of: date, target: float) -> list[tuple[list[str], str]]:
    """Reasons and next action of each row.

    In   meter_id, status, gain_error_pct, gain_error_sd_pct, lo90_pct, hi90_pct,
         p_within_tolerance, tolerance_pct, due_date, last_bench, last_comparison,
         slope_convention, drift_pct_per_year, drift_sd_pct_per_year, alarm_texts (any but the
         first two may be null)
    """
    return [
        (list(_reasons(row, as_of, target)), _next_action(row, target))
        for row in facts.iter_rows(named=True)
    ]


def percent_high_or_low(error_pct: float) -> str:
    """ "1.9 % high", "0.4 % low", "neither high nor low" below the printed digit."""
    size = f"{abs(error_pct):.1f}"
    if size == "0.0":
        return "neither high nor low"
    return f"{size} % {'high' if error_pct > 0 else 'low'}"


def since(earlier: date, later: date) -> str:
    """ "today", "9 days", "6 weeks", "14 months": as exact as a mechanic needs."""
    days = (later - earlier).days
    if days <= 0:
        return "today"
    if days < 21:
        return f"{days} day{'s' if days > 1 else ''}"
    if days < 84:
        return f"{round(days / 7)} weeks"
    return f"{round(days / 30.44)} months"


def _reasons(row: Facts, as_of: date, target: float) -> Iterable[str]:
    yield from row["alarm_texts"] or []
    if row["p_within_tolerance"] is None:
        yield "Nothing could be estimated for it."
        return
    if row["status"] == "unknown":
        yield (
            "Never benched: its numbers are what its group and its rides suggest "
            f"({_interval(row)})."
        )
        return
    yield _reading(row)
    yield from _chance(row, target)
    yield from _age(row, as_of)
    yield from _drift(row)


def _reading(row: Facts) -> str:
    limit = f"the limit is {row['tolerance_pct']:g}"
    half = (row["hi90_pct"] - row["lo90_pct"]) / 2
    if row["status"] == "out" and abs(row["gain_error_pct"]) <= row["tolerance_pct"]:
        return f"Nobody can tell any more what it reads: {_interval(row)}; {limit}."
    return f"Reads {percent_high_or_low(row['gain_error_pct'])} ± {half:.1f}; {limit}."


def _interval(row: Facts) -> str:
    return f"between {row['lo90_pct']:+.1f} and {row['hi90_pct']:+.1f} % with a chance of 90 %"


def _chance(row: Facts, target: float) -> Iterable[str]:
    p = _chance_percent(row["p_within_tolerance"])
    if row["status"] in ("out", "due"):
        yield (
            f"The chance that it is within ± {row['tolerance_pct']:g} % is {p}; "
            f"the target is {_whole(target)}."
        )
    elif row["due_date"] is not None:
        yield (
            f"Within ± {row['tolerance_pct']:g} % with a chance of {p} today; "
            f"that falls below {_whole(target)} on {row['due_date'].isoformat()}."
        )
    else:
        yield (
            f"Within ± {row['tolerance_pct']:g} % with a chance of {p}, and above {_whole(target)} "
            "for the next five years."
        )


def _whole(p: float) -> str:
    return f"{100 * p:.0f} %"


def _chance_percent(p: float) -> str:
    if p < 0.01:
        return "under 1 %"
    if p > 0.99:
        return "over 99 %"
    return _whole(p)


def _age(row: Facts, as_of: date) -> Iterable[str]:
    if row["last_bench"] is None:
        return
    age = since(row["last_bench"], as_of)
    yield "Benched today." if age == "today" else f"Not benched for {age}."
    compared = row["last_comparison"]
    if compared is None:
        yield "Never compared on a ride."
    elif compared > row["last_bench"]:
        age = since(compared, as_of)
        yield "Compared on a ride today." if age == "today" else f"Last compared {age} ago."


def _drift(row: Facts) -> Iterable[str]:
    rate, sd = row["drift_pct_per_year"], row["drift_sd_pct_per_year"]
    if rate is not None and sd is not None and abs(rate) > 2 * sd and abs(rate) >= 0.05:
        yield f"Drifts {rate:+.1f} % a year."


def _next_action(row: Facts, target: float) -> str:
    action = _action(row, target)
    if row["alarm_texts"]:
        return f"Look into the alarm first. {action}"
    return action


def _action(row: Facts, target: float) -> str:
    status = row["status"]
    if status == "unknown":
        return "Bench it as found before anyone relies on it."
    if status == "out":
        return _action_when_out(row)
    if status == "due":
        return "Bench it now."
    if status == "soon":
        return f"Bench it before {row['due_date'].isoformat()}."
    if row["due_date"] is None:
        return "Nothing to do."
    return f"Nothing to do now; bench it before {row['due_date'].isoformat()}, or as planned."


def _action_when_out(row: Facts) -> str:
    if abs(row["gain_error_pct"]) <= row["tolerance_pct"]:
        return "Bench it as found before anyone relies on it."
    if row["slope_convention"] == "fixed":
        return (
            "Bench it; if the bench agrees, correct its watts or send it away: "
            "its slope cannot be set."
        )
    return "Bench it; if the bench agrees, reset its slope."
