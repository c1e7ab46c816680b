"""The rows of a plan: what each visit prevents, what stays undone, in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TypedDict

import numpy as np
import polars as pl

from models.metrology import Array, Index
from models.records import typed_rows
from models.season.documents import Unplanned, Visit
from models.season.exposure_cost import Prices, Use
from models.season.plan import Season, Visits
from models.season.risk import Outlook
from models.wording import chance, share

WORTH_DAYS = 0.05  # fewer ridden days than this are not worth a sentence


@dataclass(frozen=True)
class Asked:
    """What the user wants planned: a period, slots a week (None: from `capacity`, else 4), and
    meters pinned to weeks (any day of the week stands for it).

    What if: tolerance_pct for every meter instead of its own, target instead of the setting's
    """

    first: date
    last: date
    slots_per_week: int | None = None
    pins: Mapping[str, tuple[date, ...]] | None = None
    tolerance_pct: float | None = None
    target: float | None = None


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


class _Planned(TypedDict):
    meter_id: str
    tolerance_pct: float
    slope_convention: str | None


def _course(drawn: Drawn, meter: int, weeks: tuple[int, ...]) -> Array:
    """Risk of a meter in each week with those visits, [W]."""
    risk = drawn.season.risk_unvisited[meter].copy()
    for week in sorted(weeks):
        risk[week:] = drawn.season.risk_after[meter, week, week:]
    return np.asarray(risk)


def days_out(drawn: Drawn, weeks: list[tuple[int, ...]]) -> float:
    return float(sum((_course(drawn, m, w) * drawn.ridden[m]).sum() for m, w in enumerate(weeks)))


def used_slots(chosen: Visits, weeks: int) -> list[int]:
    counts = np.bincount([w for path in chosen.weeks for w in path], minlength=weeks)
    return [int(n) for n in counts]


def visit_rows(drawn: Drawn, chosen: Visits) -> list[Visit]:
    rows = [
        _visit_row(drawn, meter, weeks, k)
        for meter, weeks in enumerate(chosen.weeks)
        for k in range(len(weeks))
    ]
    return sorted(rows, key=lambda row: (row["week"], row["deadline"] or date.max, row["meter_id"]))


def _visit_row(drawn: Drawn, meter: int, weeks: tuple[int, ...], k: int) -> Visit:
    week, others = weeks[k], weeks[:k] + weeks[k + 1 :]
    saved = _course(drawn, meter, others) - _course(drawn, meter, weeks)
    days = float((saved * drawn.ridden[meter]).sum())
    money = float((saved * drawn.season.stake[meter]).sum())
    p_before = _p_before(drawn, meter, weeks[:k], week)
    pinned = week in drawn.season.pins.get(meter, ())
    [row] = typed_rows(drawn.meters[meter], _Planned)
    return {
        "week": drawn.mondays[week],
        "meter_id": row["meter_id"],
        "reason": _reason(drawn, row, p_before, days=days, money=money, pinned=pinned)
        + _later(drawn, meter, weeks[:k], week),
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
    row: _Planned,
    p: float,
    *,
    days: float,
    money: float,
    pinned: bool,
) -> str:
    unit = f" {drawn.prices.currency}" if drawn.prices.currency else ""
    text = f"The chance that it is within ± {row['tolerance_pct']:g} % is {chance(p)} by then"
    if days >= WORTH_DAYS:
        worth = f"days ridden out of tolerance, worth {money:.0f}{unit}."
        text += f"; a visit spares about {_number(days)} {worth}"
    else:
        text += "; a visit spares next to nothing."
    if row["slope_convention"] == "fixed":
        text += " Its slope cannot be set: its watts are corrected by what is found."
    return ("Pinned to this week. " if pinned else "") + text


def _later(drawn: Drawn, meter: int, earlier: tuple[int, ...], week: int) -> str:
    """Why a visit comes now although the meter is sound then: what would come of it later."""
    if earlier:
        p = 1 - drawn.season.risk_after[meter, earlier[-1]]
    else:
        p = drawn.ahead.p_within[meter, :-1]
    text = ""
    if p[week] >= drawn.target and p[-1] < p[week] - 0.01:
        text = f" Without it the chance falls to {chance(float(p[-1]))} by the end."
        text += " It is not due yet: it comes this early because that costs least."
    race = _first_a_race(drawn, meter, drawn.mondays[earlier[-1]] if earlier else None)
    if race is not None and race < drawn.mondays[week]:
        at = float(p[(race - drawn.mondays[0]).days // 7])
        text += f" Its A race of {race} comes before; the chance then is {chance(at)}."
    return text


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
    tomorrow = max(drawn.today, drawn.asked.first) + timedelta(days=1)
    race = _first_a_race(drawn, meter, drawn.mondays[start] if earlier else None, least=tomorrow)
    if race is not None:
        candidates.append(race - timedelta(days=1))
    return min(candidates, default=None)


def _best_spared(drawn: Drawn, meter: int) -> float:
    """Money that one visit would spare in the week with a slot in which it spares most."""
    season = drawn.season
    spared = [
        float(
            (season.risk_unvisited[meter, v:] - season.risk_after[meter, v, v:])
            @ season.stake[meter, v:]
        )
        for v in np.flatnonzero(season.slots)
    ]
    return max(spared, default=0.0)


def _crossing(drawn: Drawn, p: Array, start: int, k: int) -> date:
    """The last day before p falls below the target, between two Mondays by a straight line;
    the day before the plan where it already has."""
    if k == 0:
        return max(drawn.mondays[start], drawn.today) - timedelta(days=1)
    share = (p[k - 1] - drawn.target) / max(p[k - 1] - p[k], 1e-12)
    return drawn.mondays[0] + timedelta(days=int(7 * (start + k - 1 + share)))


def _first_a_race(
    drawn: Drawn, meter: int, after: date | None, *, least: date = date.min
) -> date | None:
    in_a = drawn.use.first_a[meter]
    if in_a < 0:
        return None
    first = max(drawn.asked.first, drawn.today)
    days = [first + timedelta(days=int(d)) for d in in_a_days(drawn, meter)]
    return next(
        (
            day
            for day in days
            if day >= least and (after is None or day > after + timedelta(days=6))
        ),
        None,
    )


def in_a_days(drawn: Drawn, meter: int) -> Index:
    """Index of A races that the meter is ridden in, counted from the plan's first day."""
    return np.flatnonzero(
        (drawn.use.ridden[meter] > 0)
        & (drawn.use.weight[meter] >= 5.0 * drawn.use.ridden[meter] - 1e-9)
    )


def unplanned_rows(drawn: Drawn, chosen: Visits, freely: list[tuple[int, ...]]) -> list[Unplanned]:
    """Meters without a visit: whether none is needed or none fits, and the risk they carry."""
    rows: list[Unplanned] = []
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
    return sorted(rows, key=lambda row: -row.get("risk_money", 0.0))


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
    best = min(max(0.0, _best_spared(drawn, meter)), money)
    return (
        f"it carries {carried}; a visit in the best week would spare {best:.0f}{unit} of that and "
        f"costs {cost}"
    )


def plan_notes(drawn: Drawn, chosen: Visits, first: date) -> list[str]:
    notes = []
    if first > drawn.asked.first:
        notes.append(f"Index before {first} are past: the plan begins there.")
    if not drawn.season.slots.any():
        notes.append(
            "There is no bench slot in this period (closed weeks, capacity, a week that has begun, "
            "or --slots-per-week 0): nothing can be planned, only the risk shown."
        )
    for week in chosen.overfull:
        why = "is closed" if drawn.closed[week] else f"has {drawn.season.slots[week]} slots"
        notes.append(
            f"The pins of the week of {drawn.mondays[week]} are kept although it {why}: move one "
            "of them."
        )
    if chosen.gap > 0.01:
        notes.append(f"A better plan may exist: at most {share(chosen.gap)} cheaper.")
    return notes
