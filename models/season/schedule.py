"""Plan a season: who goes to the bench in which week, why, and what stays undone.

The objective is money: a visit's price against the days ridden out of tolerance that it
prevents, at `out_of_tolerance_day` times the weight of what is ridden.
"""

import math
from collections.abc import Mapping
from datetime import timedelta

import numpy as np
import polars as pl

from models.fleet import FleetFit
from models.records import Records, Settings, Tables
from models.season.documents import PlanDocument, Unplanned, Visit, WeekSlots
from models.season.pins import AWAY_STATES, check_pins, reasons_away
from models.season.plan_inputs import PlanInputs, plan_inputs
from models.season.plan_rows import (
    meter_shares,
    plan_notes,
    second_visits,
    unplanned_rows,
    visit_rows,
)
from models.season.season_ask import SeasonAsk, supposing
from models.season.visit_choices import Spread, chosen_visits, days_out, visit_choices
from models.season.visit_program import Visits, wanted_visits
from models.status import fit_state


def plan_document(
    found: Records, fleet: FleetFit, tables: Tables, settings: Settings, ask: SeasonAsk
) -> PlanDocument:
    """Return the `plan` document.

    In   found, fleet: the records and the fit of the day; tables: the store's (calendar,
         assignments, capacity and costs are used)
    NoAnswerError where the period lies in the past or a pin names no meter of the fleet.
    """
    first = ask.begin(found.as_of)
    found = supposing(found, ask)
    target = ask.target or settings.reliability_target
    why_away = reasons_away(found.meters)
    able = ~pl.col("gone") & ~pl.col("meter_id").is_in(list(why_away))
    meters = found.meters.filter(able)
    check_pins(ask, meters["meter_id"].to_list(), why_away, first)
    inputs = plan_inputs(found, fleet, tables, ask, meters=meters, target=target)
    chosen = chosen_visits(inputs, ask)
    visits = visit_rows(inputs, chosen)
    unplanned = unplanned_rows(inputs, chosen, wanted_visits(inputs.program))
    below_target = _below_target(inputs, visits, unplanned)
    unable = _unable(found, fleet, tables, ask, why_away)
    away = _away_rows(unable, why_away)
    risk_away = sum(row.get("risk_money", 0.0) for row in away)
    days_away = days_out(unable, [()] * len(unable.meters)) if unable else Spread(0.0, 0.0)
    days_planned = days_out(inputs, chosen.weeks) + days_away
    held = _held_a_year(found) if ask.choices else 0
    numbers = {"none": 0, "half of last year's": held // 2, "as many as last year": held}
    never = inputs.program.risk_unvisited
    return {
        "from": ask.first,
        "to": ask.last,
        "gap": chosen.gap,
        "visits": visits,
        "second_visits": second_visits(inputs, chosen),
        "choices": visit_choices(inputs, chosen, numbers, away=days_away, risk_away=risk_away)
        if ask.choices
        else [],
        "unplanned": [*unplanned, *away],
        "shares": meter_shares(inputs, chosen.weeks)
        + (meter_shares(unable, [()] * len(unable.meters)) if unable else []),
        "cost": {
            "currency": inputs.prices.currency,
            "plan": chosen.cost + risk_away,
            "visits": float(sum(visit["cost"] for visit in visits)),
            "without_visits": float((never * inputs.program.exposure_cost).sum()) + risk_away,
        },
        "days_out_of_tolerance": {
            "plan": days_planned.mean,
            "without_visits": float((never * inputs.ridden).sum()) + days_away.mean,
            "plan_interval90": days_planned.interval90(),
            "plan_sd": math.sqrt(days_planned.variance),
        },
        "slots": _week_slots(inputs, chosen),
        "target": target,
        "below_target": below_target,
        "lacks": inputs.lacks,
        "notes": plan_notes(inputs, chosen, ask),
        "fit": fit_state(fleet),
    }


def _unable(
    found: Records,
    fleet: FleetFit,
    tables: Tables,
    ask: SeasonAsk,
    why_away: Mapping[str, str],
) -> PlanInputs | None:
    """Return the season of meters that are ridden but cannot come; None where there are none.

    Hung masses prove nothing on them, so their risk is told.
    """
    elsewhere = pl.col("state").is_in(list(AWAY_STATES)).fill_null(False)
    here = found.meters.filter(pl.col("meter_id").is_in(list(why_away)) & ~elsewhere)
    if here.is_empty():
        return None
    return plan_inputs(found, fleet, tables, ask, meters=here, target=1)


def _away_rows(unable: PlanInputs | None, why_away: Mapping[str, str]) -> list[Unplanned]:
    """Return meters that cannot come, those that carry most first."""
    rows: dict[str, Unplanned] = {
        meter: {"meter_id": meter, "reason": reason} for meter, reason in why_away.items()
    }
    for m, about in enumerate(unable.meters if unable else ()):
        assert unable is not None  # it has meters
        risk, p, row = (
            unable.program.risk_unvisited[m],
            unable.outlook.p_within[m],
            about["meter_id"],
        )
        rows[row]["p_within_tolerance_now"] = float(p[0])
        rows[row]["p_within_tolerance_end"] = float(p[-1])
        rows[row]["days_out_of_tolerance"] = unable.days_out(m, risk)
        rows[row]["risk_money"] = unable.money_out(m, risk)
        rows[row]["cannot_come"] = True
    return sorted(rows.values(), key=lambda row: -row.get("risk_money", 0.0))


def _held_a_year(found: Records) -> int:
    """Return the sessions held in the year up to today."""
    return int((found.sessions["measured_at"].dt.date() > found.as_of - timedelta(days=365)).sum())


def _below_target(inputs: PlanInputs, visits: list[Visit], unplanned: list[Unplanned]) -> int:
    """Return how many meters are ridden below the target before their first visit, or without any.

    Money, not the target, decides who comes.
    """
    first: dict[str, Visit] = {}
    for visit in visits:
        first.setdefault(visit["meter_id"], visit)
    late = sum(visit["p_within_tolerance_before"] < inputs.target for visit in first.values())
    never = {row["meter_id"] for row in unplanned}
    below = inputs.outlook.p_within.min(axis=1) < inputs.target
    ridden = inputs.ridden.max(axis=1) > 0
    return late + sum(
        bool(ridden[m] and below[m])
        for m, meter in enumerate(inputs.meters)
        if meter["meter_id"] in never
    )


def _week_slots(inputs: PlanInputs, chosen: Visits) -> list[WeekSlots]:
    used = np.bincount(
        [week for weeks in chosen.weeks for week in weeks], minlength=len(inputs.mondays)
    )
    return [
        {
            "week": monday,
            "slots": int(slots),
            "used": int(n),
            "held": 0 if week else inputs.held,
            "closed": closed,
        }
        for week, (monday, slots, n, closed) in enumerate(
            zip(inputs.mondays, inputs.program.slots, used, inputs.closed, strict=True)
        )
    ]
