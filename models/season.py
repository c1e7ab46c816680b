"""The season's plan: who goes to the bench in which week, why, and what stays undone.

The objective is money: a visit's price against the days ridden out of tolerance that it
prevents, at `out_of_tolerance_day` times the weight of what is ridden (`models.plan` finds the
visits, `models.season_risk` the risks, `models.season_stake` what is at stake).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.fleet import FleetFit
from models.plan import Season, Visits, choose_visits, wanted_visits
from models.refusal import NothingToSayError
from models.season_risk import Outlook, outlook, risks, weeks_of
from models.season_stake import (
    Prices,
    Tables,
    Use,
    by_week,
    days_between,
    missing,
    prices,
    slots_of,
    use_of,
)

if TYPE_CHECKING:
    from models.assess import Records, Settings

Array = NDArray[np.float64]
LONGEST_WEEKS = 160
AWAY_STATES = {"lent": "lent out", "at_service": "at service"}
WORTH_DAYS = 0.05  # fewer ridden days than this are not worth a sentence
_ISO_WEEK = re.compile(r"^(\d{4})-?W(\d{2})$", re.IGNORECASE)
LACKS = (
    ("calendar", "no calendar: every week weighs the same, and none is closed"),
    ("assignments", "no assignments: every meter counts as ridden every day"),
    ("costs", "no costs: see the prices assumed"),
)


@dataclass(frozen=True)
class Asked:
    """What the user wants planned: a period, slots a week (None: from `capacity`, else 4), and
    meters pinned to weeks (any day of the week stands for it)."""

    first: date
    last: date
    slots_per_week: int | None = None
    pins: Mapping[str, tuple[date, ...]] | None = None


@dataclass(frozen=True)
class Drawn:
    """A season ready to be planned, and what its sentences are made of."""

    asked: Asked
    meters: pl.DataFrame
    mondays: list[date]
    ahead: Outlook
    use: Use
    ridden: Array
    prices: Prices
    season: Season
    closed: tuple[bool, ...]
    today: date
    target: float


def plan_document(
    found: Records, fleet: FleetFit, tables: Tables, settings: Settings, asked: Asked
) -> dict[str, Any]:
    """The `plan` document.

    In   found, fleet: the records and the fit of the day; tables: the store's (calendar,
         assignments, capacity and costs are used); asked: period, slots, pins
    Out  from, to, gap, visits, unplanned, cost (of the plan, of no visit at all), lacks and
         notes (sentences)
    NothingToSayError where the period lies in the past or a pin names no meter of the fleet.
    """
    first = _checked_period(asked, found.as_of)
    meters, away = _who(found)
    _check_pins(asked, meters, away, first)
    drawn, lacks = _draw(
        found, fleet, tables, asked=asked, meters=meters, target=settings.reliability_target
    )
    chosen = choose_visits(drawn.season)
    freely = wanted_visits(drawn.season)
    visits = _visit_rows(drawn, chosen)
    unplanned = [*_unplanned_rows(drawn, chosen, freely), *away]
    nothing = float((drawn.season.risk_unvisited * drawn.season.stake).sum())
    return {
        "from": asked.first,
        "to": asked.last,
        "gap": chosen.gap,
        "visits": visits,
        "unplanned": unplanned,
        "cost": {
            "currency": drawn.prices.currency,
            "plan": chosen.cost,
            "visits": float(sum(v["cost"] for v in visits)),
            "without_visits": nothing,
        },
        "days_out_of_tolerance": {
            "plan": _days_out(drawn, chosen.weeks),
            "without_visits": _days_out(drawn, [()] * meters.height),
        },
        "slots": [
            {"week": monday, "slots": int(n), "used": used, "closed": shut}
            for monday, n, used, shut in zip(
                drawn.mondays,
                drawn.season.slots,
                _used(chosen, len(drawn.mondays)),
                drawn.closed,
                strict=True,
            )
        ],
        "lacks": lacks,
        "notes": _notes(drawn, chosen, first),
    }


def parse_pins(texts: Iterable[str]) -> dict[str, tuple[date, ...]]:
    """METER=WEEK, the week as any of its days (2026-03-02) or as ISO week (2026-W10)."""
    pins: dict[str, tuple[date, ...]] = {}
    for text in texts:
        meter, sign, week = text.rpartition("=")
        day = _week_day(week.strip())
        if not sign or not meter.strip() or day is None:
            raise NothingToSayError(
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


# --- who and when -----------------------------------------------------------------------------


def _checked_period(asked: Asked, today: date) -> date:
    """The first day that can still be planned."""
    if asked.last < asked.first:
        raise NothingToSayError(
            f"the plan ends on {asked.last}, before it begins on {asked.first}: turn them round"
        )
    if asked.last < today:
        raise NothingToSayError(
            f"the plan ends on {asked.last} and today is {today}: that season is over. Name days "
            "to come, or give --as-of to plan as one could have then"
        )
    if (asked.last - asked.first).days > 7 * LONGEST_WEEKS:
        raise NothingToSayError(
            f"{asked.first} to {asked.last} is more than three years: plan a season at a time"
        )
    if asked.slots_per_week is not None and asked.slots_per_week < 0:
        raise NothingToSayError("slots a week: found a negative number, expected 0 or more")
    return max(asked.first, today)


def _who(found: Records) -> tuple[pl.DataFrame, list[dict[str, Any]]]:
    """Meters that can come to the bench, and rows about those that cannot. Meters that are gone
    are in neither."""
    here = found.meters.filter(~pl.col("gone"))
    away, rows = [], []
    for row in here.iter_rows(named=True):
        reason = None
        if row["state"] in AWAY_STATES:
            reason = f"{AWAY_STATES[row['state']]}: it cannot come to the bench"
        elif row["static_check"] is False:
            reason = (
                "shows torque only when turning: hung masses prove nothing, compare it on rides"
            )
        if reason is not None:
            away.append(row["meter_id"])
            rows.append({"meter_id": row["meter_id"], "reason": reason})
    return here.filter(~pl.col("meter_id").is_in(away)), rows


def _check_pins(
    asked: Asked, meters: pl.DataFrame, away: list[dict[str, Any]], first: date
) -> None:
    known = set(meters["meter_id"].to_list())
    reasons = {row["meter_id"]: row["reason"] for row in away}
    for meter, days in (asked.pins or {}).items():
        if meter in reasons:
            raise NothingToSayError(f"{meter} cannot be pinned: {reasons[meter]}")
        if meter not in known:
            raise NothingToSayError(f'found pin of "{meter}", expected a meter of the fleet')
        for day in days:
            monday = day - timedelta(days=day.weekday())
            if not first - timedelta(days=first.weekday()) <= monday <= asked.last:
                raise NothingToSayError(
                    f"{meter} is pinned to the week of {monday}, outside the plan's {first} to "
                    f"{asked.last}"
                )


def _draw(
    found: Records,
    fleet: FleetFit,
    tables: Tables,
    *,
    asked: Asked,
    meters: pl.DataFrame,
    target: float,
) -> tuple[Drawn, list[str]]:
    """Everything that the plan rests on, and what is missing."""
    first = max(asked.first, found.as_of)
    mondays = weeks_of(first, asked.last)
    days = days_between(first, asked.last)
    ids = meters["meter_id"].to_list()
    money = prices(tables["costs"], meters["group"].to_list())
    use = use_of(ids, days, tables["calendar"], tables["assignments"])
    slots, closed, lacks = slots_of(
        mondays, tables["capacity"], tables["calendar"], fixed=asked.slots_per_week
    )
    slots = np.where([monday < asked.first for monday in mondays], 0, slots)  # its Monday is past
    ahead = outlook(fleet, meters, [*mondays, mondays[-1] + timedelta(weeks=1)], found.data.bench)
    unvisited, after = risks(ahead)
    season = Season(
        unvisited,
        after,
        by_week(use.weight, days, mondays) * money.day[:, None],
        money.visit,
        slots,
        _pin_weeks(asked, ids, mondays),
    )
    ridden = by_week(use.ridden, days, mondays)
    drawn = Drawn(
        asked, meters, mondays, ahead, use, ridden, money, season, closed, found.as_of, target
    )
    return drawn, [*missing(tables, LACKS), *money.lacks, *lacks]


def _pin_weeks(asked: Asked, ids: list[str], mondays: list[date]) -> dict[int, tuple[int, ...]]:
    pins = asked.pins or {}
    return {
        ids.index(meter): tuple(sorted({(day - mondays[0]).days // 7 for day in days}))
        for meter, days in pins.items()
    }


# --- rows and sentences -----------------------------------------------------------------------


def _course(drawn: Drawn, meter: int, weeks: tuple[int, ...]) -> Array:
    """Risk of a meter in each week with those visits, [W]."""
    risk = drawn.season.risk_unvisited[meter].copy()
    for week in sorted(weeks):
        risk[week:] = drawn.season.risk_after[meter, week, week:]
    return np.asarray(risk)


def _days_out(drawn: Drawn, weeks: list[tuple[int, ...]]) -> float:
    return float(sum((_course(drawn, m, w) * drawn.ridden[m]).sum() for m, w in enumerate(weeks)))


def _used(chosen: Visits, weeks: int) -> list[int]:
    counts = np.bincount([w for path in chosen.weeks for w in path], minlength=weeks)
    return [int(n) for n in counts]


def _visit_rows(drawn: Drawn, chosen: Visits) -> list[dict[str, Any]]:
    rows = [
        _visit_row(drawn, meter, weeks, k)
        for meter, weeks in enumerate(chosen.weeks)
        for k in range(len(weeks))
    ]
    return sorted(rows, key=lambda row: (row["week"], row["deadline"] or date.max, row["meter_id"]))


def _visit_row(drawn: Drawn, meter: int, weeks: tuple[int, ...], k: int) -> dict[str, Any]:
    week, others = weeks[k], weeks[:k] + weeks[k + 1 :]
    saved = _course(drawn, meter, others) - _course(drawn, meter, weeks)
    days = float((saved * drawn.ridden[meter]).sum())
    money = float((saved * drawn.season.stake[meter]).sum())
    p_before = _p_before(drawn, meter, weeks[:k], week)
    pinned = week in drawn.season.pins.get(meter, ())
    row = drawn.meters.row(meter, named=True)
    return {
        "week": drawn.mondays[week],
        "meter_id": row["meter_id"],
        "reason": _reason(drawn, row, p_before, days=days, money=money, pinned=pinned),
        "p_within_tolerance_before": p_before,
        "deadline": _deadline(drawn, meter, weeks[:k]),
        "pinned": pinned,
        "rider_id": drawn.use.rider[meter],
        "tolerance_pct": row["tolerance_pct"],
        "days_out_prevented": days,
        "money_saved": money,
        "cost": float(drawn.prices.visit[meter]),
    }


def _p_before(drawn: Drawn, meter: int, earlier: tuple[int, ...], week: int) -> float:
    if not earlier:
        return float(drawn.ahead.p_within[meter, week])
    return float(1 - drawn.season.risk_after[meter, earlier[-1], week])


def _reason(
    drawn: Drawn,
    row: dict[str, Any],
    p: float,
    *,
    days: float,
    money: float,
    pinned: bool,
) -> str:
    unit = f" {drawn.prices.currency}" if drawn.prices.currency else ""
    text = f"The chance that it is within ± {row['tolerance_pct']:g} % is {_chance(p)} by then"
    if days >= WORTH_DAYS:
        worth = f"days ridden out of tolerance, worth {money:.0f}{unit}."
        text += f"; a visit spares about {_number(days)} {worth}"
    else:
        text += "; a visit spares next to nothing."
    if row["slope_convention"] == "fixed":
        text += " Its slope cannot be set: its watts are corrected by what is found."
    return ("Pinned to this week. " if pinned else "") + text


def _chance(p: float) -> str:
    return "under 1 %" if p < 0.01 else "over 99 %" if p > 0.99 else f"{100 * p:.0f} %"


def _number(days: float) -> str:
    return f"{days:.0f}" if days >= 3 else f"{days:.1f}"


def _deadline(drawn: Drawn, meter: int, earlier: tuple[int, ...]) -> date | None:
    """The last day with p ≥ target, or the day before the first A race if that is earlier."""
    start = earlier[-1] if earlier else 0
    if earlier:
        p = 1 - drawn.season.risk_after[meter, start, start:]
    else:
        p = drawn.ahead.p_within[meter]
    below = np.flatnonzero(p < drawn.target)
    candidates = []
    if below.size:
        k = int(below[0])
        candidates.append(_crossing(drawn, p, start, k))
    race = _first_a_race(drawn, meter, drawn.mondays[start] if earlier else None)
    if race is not None:
        candidates.append(race - timedelta(days=1))
    return min(candidates, default=None)


def _crossing(drawn: Drawn, p: Array, start: int, k: int) -> date:
    """The last day before p falls below the target, between two Mondays by a straight line;
    the day before the plan where it already has."""
    if k == 0:
        return max(drawn.mondays[start], drawn.today) - timedelta(days=1)
    share = (p[k - 1] - drawn.target) / max(p[k - 1] - p[k], 1e-12)
    return drawn.mondays[0] + timedelta(days=int(7 * (start + k - 1 + share)))


def _first_a_race(drawn: Drawn, meter: int, after: date | None) -> date | None:
    in_a = drawn.use.first_a[meter]
    if in_a < 0:
        return None
    first = max(drawn.asked.first, drawn.today)
    days = [first + timedelta(days=int(d)) for d in in_a_days(drawn, meter)]
    return next((day for day in days if after is None or day > after + timedelta(days=6)), None)


def in_a_days(drawn: Drawn, meter: int) -> NDArray[np.int64]:
    """Days of A races that the meter is ridden in, counted from the plan's first day."""
    return np.flatnonzero(
        (drawn.use.ridden[meter] > 0)
        & (drawn.use.weight[meter] >= 5.0 * drawn.use.ridden[meter] - 1e-9)
    )


def _unplanned_rows(
    drawn: Drawn, chosen: Visits, freely: list[tuple[int, ...]]
) -> list[dict[str, Any]]:
    """Meters without a visit: whether none is needed or none fits, and the risk they carry."""
    rows = []
    for meter, weeks in enumerate(chosen.weeks):
        if weeks:
            continue
        risk = drawn.season.risk_unvisited[meter]
        days = float((risk * drawn.ridden[meter]).sum())
        money = float((risk * drawn.season.stake[meter]).sum())
        wanted = bool(freely[meter])
        rows.append(
            {
                "meter_id": drawn.meters["meter_id"][meter],
                "reason": _why_not(drawn, meter, money, days=days, wanted=wanted),
                "p_within_tolerance_now": float(drawn.ahead.p_within[meter, 0]),
                "p_within_tolerance_end": float(drawn.ahead.p_within[meter, -1]),
                "days_out_of_tolerance": days,
                "risk_money": money,
                "no_slot": wanted,
                "deadline": _deadline(drawn, meter, ()),
            }
        )
    return sorted(rows, key=lambda row: -row["risk_money"])


def _why_not(drawn: Drawn, meter: int, money: float, *, days: float, wanted: bool) -> str:
    unit = f" {drawn.prices.currency}" if drawn.prices.currency else ""
    carried = f"about {_number(days)} days ridden out of tolerance, {money:.0f}{unit}"
    if wanted:
        if not drawn.season.slots.any():
            return f"no bench slot in the whole period: it carries {carried}"
        return f"every slot that would help is worth more to another meter: it carries {carried}"
    if not drawn.ridden[meter].any():
        return "nobody is down to ride it: bench it before someone does"
    cost = f"{drawn.prices.visit[meter]:.0f}{unit}"
    if days < WORTH_DAYS:
        return "it stays within tolerance for the whole period, as far as anyone can tell"
    return f"a visit costs {cost} and would spare less than that: it carries {carried}"


def _notes(drawn: Drawn, chosen: Visits, first: date) -> list[str]:
    notes = []
    if first > drawn.asked.first:
        notes.append(f"Days before {first} are past: the plan begins there.")
    if not drawn.season.slots.any():
        notes.append(
            "There is no bench slot in this period (closed weeks, capacity, or --slots-per-week "
            "0): nothing can be planned, only the risk shown."
        )
    for week in chosen.overfull:
        why = "is closed" if drawn.closed[week] else f"has {drawn.season.slots[week]} slots"
        notes.append(
            f"The pins of the week of {drawn.mondays[week]} are kept although it {why}: move one "
            "of them."
        )
    if chosen.gap > 0.01:
        notes.append(f"A better plan may exist: at most {chosen.gap:.1%} cheaper.")
    return notes
