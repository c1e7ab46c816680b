"""The manager's budget: what a season costs, by item, group and meter, and what to replace.

What has happened by the day of the budget is counted, what is to come is expected: bench visits
as planned (`models.season`), battery swaps from each meter's usual interval, replacements from
how often meters have had to be replaced. The days ridden out of tolerance are no expense; their
price stands beside the total as `risk`.
"""

from dataclasses import replace

import numpy as np
import polars as pl

from models.ageing import group_table
from models.budget.claims import closing_claims, sensor_excess
from models.budget.cost_items import bench_visits, budget_items, money_interval
from models.budget.documents import (
    BenchCost,
    BudgetDocument,
    ClosingClaim,
    Cost,
    DaysWithMishaps,
    GroupCost,
    Risk,
)
from models.budget.mishap_days import OwnMishaps, days_with_mishaps
from models.budget.replacement import keep_or_replace, ranked
from models.budget.seasons_past import beside
from models.fleet import FleetFit
from models.metrology import DAYS_A_YEAR, Array
from models.records import Records, Settings, Tables
from models.season import PlanDocument, SeasonAsk, labour_note, plan_document, prices, supposing
from models.status import fit_state
from models.wording import NoAnswerError

NO_MISHAPS = OwnMishaps()


def budget_document(
    found: Records,
    fleet: FleetFit,
    tables: Tables,
    settings: Settings,
    ask: SeasonAsk,
    *,
    population: pl.DataFrame,
    mishaps: OwnMishaps = NO_MISHAPS,
    rng: np.random.Generator,
) -> BudgetDocument:
    """Return the `budget` document.

    In   found, fleet: records and fit of the day; tables: the store's; ask: the period (and
         slots and pins of its plan); population: the drift table by group; mishaps: the team's own
    NoAnswerError where the period ends before it begins.
    """
    if ask.last < ask.first:
        raise NoAnswerError(
            f"the budget ends on {ask.last}, before it begins on {ask.first}: turn them round"
        )
    found = supposing(found, ask)
    here = found.meters.filter(~pl.col("gone") | pl.col("meter_id").is_in(_busy(found, ask)))
    ids = here["meter_id"].to_list()
    plan, lacks = _plan(found, fleet, tables, settings, ask)
    ahead = (ask.last - max(ask.first, found.as_of)).days / DAYS_A_YEAR
    struck = plan and days_with_mishaps(plan, mishaps, ahead, rng)
    items, missing = budget_items(found, tables, ask, here=here, plan=plan, rng=rng)
    whole = sum(
        (spent.sure[:, None] + spent.draws for spent in items.values()),
        start=np.zeros((len(ids), 1)),
    )
    verdicts = keep_or_replace(found, fleet, tables, here, first=ask.first, last=ask.last)
    money = prices(tables["costs"], here["group"].to_list())
    return {
        "from": ask.first,
        "to": ask.last,
        "currency": money.currency,
        "total": float(whole.mean(axis=1).sum()),
        "interval90": money_interval(whole.sum(axis=0)),
        "by_item": [{"item": name, **_cost(spent.sums())} for name, spent in items.items()],
        "beside": beside(found, fleet, tables, ask, plan=plan, struck=struck, items=items),
        "by_group": _group_rows(here["group"].to_list(), whole),
        "meters": ranked(
            {"meter_id": name, **_cost(whole[m]), **verdicts[name]} for m, name in enumerate(ids)
        ),
        "risk": None if plan is None or struck is None else _risk(plan, money.day, struck),
        "choices": [] if plan is None else plan["choices"],
        "visits_planned": 0 if plan is None else len(plan["visits"]),
        "bench": _bench(*bench_visits(found, here, ask, plan), money.visit),
        "warranty": _claims(found, fleet),
        "lacks": [*lacks, *missing],
        "notes": _notes(found, ask, plan, tables["costs"]),
        "groups": group_table(
            found.sessions,
            found.meters,
            population,
            today=found.as_of,
            target=ask.target or settings.reliability_target,
        ),
        "fit": fit_state(fleet),
    }


def _claims(found: Records, fleet: FleetFit) -> list[ClosingClaim]:
    own = found.meters.filter(~pl.col("gone") & pl.col("warranty_until").is_not_null())
    return closing_claims(sensor_excess(fleet, own, found.course, today=found.as_of))


def _busy(found: Records, ask: SeasonAsk) -> list[str]:
    """Return meters, gone or not, with a session in the part of the period that is past."""
    days = pl.col("measured_at").dt.date()
    return (
        found.sessions.filter((days >= ask.first) & (days <= ask.last))["meter_id"]
        .unique()
        .to_list()
    )


def _plan(
    found: Records, fleet: FleetFit, tables: Tables, settings: Settings, ask: SeasonAsk
) -> tuple[PlanDocument | None, list[str]]:
    """Return the plan of what is left of the period, and what it had to assume."""
    if ask.last <= found.as_of:
        return None, []
    plan = plan_document(found, fleet, tables, settings, replace(ask, choices=True))
    return plan, list(plan["lacks"])


def _cost(draws: Array) -> Cost:
    return {"cost": float(draws.mean()), "interval90": money_interval(draws)}


def _group_rows(groups: list[str], whole: Array) -> list[GroupCost]:
    rows: list[GroupCost] = []
    for group in sorted(set(groups)):
        part = whole[[g == group for g in groups]]
        rows.append({"group": group, "meters": part.shape[0], **_cost(part.sum(axis=0))})
    return rows


def _risk(plan: PlanDocument, day_cost: Array, struck: DaysWithMishaps) -> Risk:
    money = plan["cost"]["plan"] - plan["cost"]["visits"]
    one = float(day_cost[0]) if np.ptp(day_cost) == 0 and day_cost[0] > 0 else None
    return {
        "money": money,
        "day_cost": one,
        "days_weighed": None if one is None else money / one,
        "money_without_visits": plan["cost"]["without_visits"],
        "days_out_of_tolerance": plan["days_out_of_tolerance"]["plan"],
        "days_interval90": plan["days_out_of_tolerance"]["plan_interval90"],
        "days_out_without_visits": plan["days_out_of_tolerance"]["without_visits"],
        "with_mishaps": struck,
    }


def _bench(done: Array, to_come: Array, visit_cost: Array) -> BenchCost:
    return {
        "done": int(done.sum()),
        "done_cost": float(done @ visit_cost),
        "planned": int(to_come.sum()),
        "planned_cost": float(to_come @ visit_cost),
    }


def _notes(
    found: Records, ask: SeasonAsk, plan: PlanDocument | None, costs: pl.DataFrame
) -> list[str]:
    labour = labour_note(costs)
    away = found.meters.filter(~pl.col("gone") & (pl.col("state") == "lent"))["meter_id"].to_list()
    notes = ask.supposed() if plan else []
    notes.append("The price of days ridden out of tolerance is a risk: it is not in the total.")
    notes.extend([labour] if labour else [])
    if ask.last <= found.as_of:
        notes.append("The period is over: everything is counted from the records.")
    elif ask.first <= found.as_of:
        past = f"{ask.first} to {found.as_of}" if ask.first < found.as_of else f"{ask.first}"
        notes.append(f"{past} is counted from the records; the rest is expected.")
    if away:
        notes.append(f"Lent out, so nothing is expected of them: {', '.join(away)}.")
    return notes
