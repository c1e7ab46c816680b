"""The season's plan: who goes to the bench in which week, why, and what stays undone.

The objective is money: a visit's price against the days ridden out of tolerance that it
prevents, at `out_of_tolerance_day` times the weight of what is ridden (`plan.py` finds the visits,
`risk.py` the risks, `exposure_cost.py` what is at stake).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.fleet import FleetFit
from models.season.documents import PlanDocument, Unplanned, Visit
from models.season.exposure_cost import (
    Tables,
    by_week,
    days_between,
    missing,
    prices,
    slots_of,
    use_of,
)
from models.season.plan import Season, choose_visits, wanted_visits
from models.season.plan_rows import (
    Asked,
    Drawn,
    days_out,
    plan_notes,
    unplanned_rows,
    used_slots,
    visit_rows,
)
from models.season.risk import outlook, risks, weeks_of
from models.status import fit_state
from models.wording import NothingToSayError, unknown_name

if TYPE_CHECKING:
    from models.records import Records, Settings

__all__ = ["Asked", "parse_pins", "plan_document", "supposing"]
LONGEST_WEEKS = 160
AWAY_STATES = {"lent": "lent out", "at_service": "at service"}
_ISO_WEEK = re.compile(r"^(\d{4})-?W(\d{2})$", re.IGNORECASE)
LACKS = (
    ("calendar", "no calendar: every week weighs the same, and none is closed"),
    ("assignments", "no assignments: every meter counts as ridden every day"),
    ("costs", "no costs: see the prices assumed"),
)


def plan_document(
    found: Records, fleet: FleetFit, tables: Tables, settings: Settings, asked: Asked
) -> PlanDocument:
    """Return the `plan` document.

    In   found, fleet: the records and the fit of the day; tables: the store's (calendar,
         assignments, capacity and costs are used); asked: period, slots, pins
    Out  from, to, gap, visits, unplanned, cost (of the plan, of no visit at all), lacks and
         notes (sentences)
    NothingToSayError where the period lies in the past or a pin names no meter of the fleet.
    """
    first = _checked_period(asked, found.as_of)
    found = supposing(found, asked)
    target = asked.target or settings.reliability_target
    meters, away = _who(found)
    _check_pins(asked, meters, away, first)
    drawn, lacks = _draw(found, fleet, tables, asked=asked, meters=meters, target=target)
    chosen = choose_visits(drawn.season)
    freely = wanted_visits(drawn.season)
    visits = visit_rows(drawn, chosen)
    away = _carried(found, fleet, tables, asked, away)
    risk_beside = sum(row.get("risk_money", 0.0) for row in away)
    days_beside = sum(row.get("days_out_of_tolerance", 0.0) for row in away)
    unplanned = [*unplanned_rows(drawn, chosen, freely), *away]
    nothing = float((drawn.season.risk_unvisited * drawn.season.stake).sum())
    return {
        "from": asked.first,
        "to": asked.last,
        "gap": chosen.gap,
        "visits": visits,
        "unplanned": unplanned,
        "cost": {
            "currency": drawn.prices.currency,
            "plan": chosen.cost + risk_beside,
            "visits": float(sum(v["cost"] for v in visits)),
            "without_visits": nothing + risk_beside,
        },
        "days_out_of_tolerance": {
            "plan": days_out(drawn, chosen.weeks) + days_beside,
            "without_visits": days_out(drawn, [()] * meters.height) + days_beside,
        },
        "slots": [
            {"week": monday, "slots": int(n), "used": used, "closed": shut}
            for monday, n, used, shut in zip(
                drawn.mondays,
                drawn.season.slots,
                used_slots(chosen, len(drawn.mondays)),
                drawn.closed,
                strict=True,
            )
        ],
        "target": target,
        "below_target": _below_target(drawn, visits, unplanned),
        "lacks": lacks,
        "notes": [*_what_if(asked), *plan_notes(drawn, chosen, first)],
        "fit": fit_state(fleet),
    }


def _carried(
    found: Records,
    fleet: FleetFit,
    tables: Tables,
    asked: Asked,
    away: list[Unplanned],
) -> list[Unplanned]:
    """Rows of meters that cannot come: with the risk that those carry which are ridden all the
    same, because hung masses prove nothing on them."""
    known = pl.col("meter_id").is_in([row["meter_id"] for row in away])
    still = found.meters.filter(known & pl.col("static_check").eq_missing(False))
    still = still.filter(~pl.col("state").is_in(list(AWAY_STATES)).fill_null(False))
    if still.is_empty():
        return away
    drawn, _ = _draw(found, fleet, tables, asked=replace(asked, pins=None), meters=still, target=1)
    more: dict[str, Unplanned] = {}
    for row in away:
        more[row["meter_id"]] = row
    for m, name in enumerate(still["meter_id"]):
        risk = drawn.season.risk_unvisited[m]
        more[name] |= {
            "p_within_tolerance_now": float(drawn.ahead.p_within[m, 0]),
            "p_within_tolerance_end": float(drawn.ahead.p_within[m, -1]),
            "days_out_of_tolerance": float((risk * drawn.ridden[m]).sum()),
            "risk_money": float((risk * drawn.season.stake[m]).sum()),
            "cannot_come": True,
        }
    return sorted(more.values(), key=lambda row: -row.get("risk_money", 0.0))


def _below_target(drawn: Drawn, visits: list[Visit], unplanned: list[Unplanned]) -> int:
    """Meters that fall below the target before their first visit, or without any, and are
    ridden: money, not the target, decides who comes."""
    first: dict[str, Visit] = {}
    for row in visits:
        first.setdefault(row["meter_id"], row)
    late = sum(row["p_within_tolerance_before"] < drawn.target for row in first.values())
    lowest = dict(zip(drawn.meters["meter_id"], drawn.ahead.p_within.min(axis=1), strict=True))
    ridden = np.any(drawn.ridden > 0, axis=1).tolist()
    in_use = dict(zip(drawn.meters["meter_id"], ridden, strict=True))
    names = [row["meter_id"] for row in unplanned if in_use.get(row["meter_id"])]
    return int(late + sum(lowest[name] < drawn.target for name in names))


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


def supposing(found: Records, asked: Asked) -> Records:
    """The records, with the tolerance that is asked about instead of the meters' own."""
    for name, value, most in (
        ("tolerance", asked.tolerance_pct, 50.0),
        ("target", asked.target, 1.0),
    ):
        if value is not None and not 0 < value < most:
            unit = "percent, for instance 1.0" if name == "tolerance" else "a share such as 0.9"
            raise NothingToSayError(f"{name}: found {value:g}, expected {unit}")
    if asked.tolerance_pct is None:
        return found
    return replace(found, meters=found.meters.with_columns(tolerance_pct=asked.tolerance_pct))


def _what_if(asked: Asked) -> list[str]:
    told = []
    if asked.tolerance_pct is not None:
        told.append(f"a tolerance of ± {asked.tolerance_pct:g} % for every meter")
    if asked.target is not None:
        told.append(f"a target of {100 * asked.target:g} %")
    if asked.slots_per_week is not None:
        s = "" if asked.slots_per_week == 1 else "s"
        told.append(f"{asked.slots_per_week} bench slot{s} a week")
    return [f"What if: {', '.join(told)}."] if told else []


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


def _who(found: Records) -> tuple[pl.DataFrame, list[Unplanned]]:
    """Meters that can come to the bench, and rows about those that cannot. Meters that are gone
    are in neither."""
    here = found.meters.filter(~pl.col("gone"))
    rows: list[Unplanned] = []
    for row in here.iter_rows(named=True):
        reason = None
        if row["state"] in AWAY_STATES:
            reason = f"{AWAY_STATES[row['state']]}: it cannot come to the bench"
        elif row["static_check"] is False:
            reason = (
                "shows torque only when turning: hung masses prove nothing, compare it on rides"
            )
        if reason is not None:
            rows.append({"meter_id": row["meter_id"], "reason": reason})
    return here.filter(~pl.col("meter_id").is_in([row["meter_id"] for row in rows])), rows


def _check_pins(asked: Asked, meters: pl.DataFrame, away: list[Unplanned], first: date) -> None:
    known = set(meters["meter_id"].to_list())
    reasons = {row["meter_id"]: row["reason"] for row in away}
    for meter, days in (asked.pins or {}).items():
        if meter in reasons:
            raise NothingToSayError(f"{meter} cannot be pinned: {reasons[meter]}")
        if meter not in known:
            raise NothingToSayError(unknown_name(meter, sorted(known), what="pin of"))
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
