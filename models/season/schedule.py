"""Plan a season: who goes to the bench in which week, why, and what stays undone.

The objective is money: a visit's price against the days ridden out of tolerance that it
prevents, at `out_of_tolerance_day` times the weight of what is ridden.
"""

from collections.abc import Mapping

import numpy as np
import polars as pl

from models.fleet import FleetFit
from models.records import Records, Settings, Tables
from models.season.documents import PlanDocument, Unplanned, Visit, WeekSlots
from models.season.pins import AWAY_STATES, check_pins, reasons_away
from models.season.plan_inputs import PlanInputs, plan_inputs
from models.season.plan_rows import plan_notes, second_visits, unplanned_rows, visit_rows
from models.season.season_ask import SeasonAsk, supposing
from models.season.visit_program import Visits, choose_visits, wanted_visits
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
    chosen = choose_visits(inputs.program)
    visits = visit_rows(inputs, chosen)
    unplanned = unplanned_rows(inputs, chosen, wanted_visits(inputs.program))
    below_target = _below_target(inputs, visits, unplanned)
    away = _away_rows(found, fleet, tables, ask, why_away)
    risk_away = sum(row.get("risk_money", 0.0) for row in away)
    days_away = sum(row.get("days_out_of_tolerance", 0.0) for row in away)
    never = inputs.program.risk_unvisited
    return {
        "from": ask.first,
        "to": ask.last,
        "gap": chosen.gap,
        "visits": visits,
        "second_visits": second_visits(inputs, chosen),
        "unplanned": [*unplanned, *away],
        "cost": {
            "currency": inputs.prices.currency,
            "plan": chosen.cost + risk_away,
            "visits": float(sum(visit["cost"] for visit in visits)),
            "without_visits": float((never * inputs.program.exposure_cost).sum()) + risk_away,
        },
        "days_out_of_tolerance": {
            "plan": sum(
                inputs.days_out(meter, inputs.risk(meter, weeks))
                for meter, weeks in enumerate(chosen.weeks)
            )
            + days_away,
            "without_visits": float((never * inputs.ridden).sum()) + days_away,
        },
        "slots": _week_slots(inputs, chosen),
        "target": target,
        "below_target": below_target,
        "lacks": inputs.lacks,
        "notes": plan_notes(inputs, chosen, ask),
        "fit": fit_state(fleet),
    }


def _away_rows(
    found: Records,
    fleet: FleetFit,
    tables: Tables,
    ask: SeasonAsk,
    why_away: Mapping[str, str],
) -> list[Unplanned]:
    """Return meters that cannot come, those that carry most first.

    The risk is told of those that are ridden all the same, because hung masses prove nothing on
    them.
    """
    rows: dict[str, Unplanned] = {
        meter: {"meter_id": meter, "reason": reason} for meter, reason in why_away.items()
    }
    elsewhere = pl.col("state").is_in(list(AWAY_STATES)).fill_null(False)
    here = found.meters.filter(pl.col("meter_id").is_in(list(rows)) & ~elsewhere)
    if not here.is_empty():
        inputs = plan_inputs(found, fleet, tables, ask, meters=here, target=1)
        for m, meter in enumerate(here["meter_id"]):
            risk, p = inputs.program.risk_unvisited[m], inputs.outlook.p_within[m]
            rows[meter]["p_within_tolerance_now"] = float(p[0])
            rows[meter]["p_within_tolerance_end"] = float(p[-1])
            rows[meter]["days_out_of_tolerance"] = inputs.days_out(m, risk)
            rows[meter]["risk_money"] = inputs.money_out(m, risk)
            rows[meter]["cannot_come"] = True
    return sorted(rows.values(), key=lambda row: -row.get("risk_money", 0.0))


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
