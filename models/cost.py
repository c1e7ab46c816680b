"""The manager's budget: what a season costs, by item, group and meter, and what to replace.

What has happened by the day of the budget is counted, what is to come is expected: bench visits
as planned (`models.season`), battery swaps from each meter's usual interval, replacements from
how often meters have had to be replaced. The days ridden out of tolerance are no expense; their
price stands beside the total as `risk`.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.due import p_within
from models.fleet import FleetFit
from models.fleet.arrays import year_of
from models.policy_nature import Belief, nature_of, surroundings
from models.policy_rules import cheapest_average
from models.refusal import NothingToSayError
from models.season import Asked, plan_document
from models.season_stake import Tables, prices, unit_cost

if TYPE_CHECKING:
    from models.assess import Records, Settings

Array = NDArray[np.float64]
DRAWS = 4000
LIFE_YEARS = 3.0  # over which a new meter must pay for itself
PRIOR_REPLACED, PRIOR_YEARS = 0.5, 10.0  # replacements and meter-years before there are data
ITEMS = ("bench_session", "battery", "service", "replacement")


@dataclass(frozen=True)
class Spent:
    """Money of each meter: what is sure [M], and draws of what is not [M, DRAWS]."""

    sure: Array
    draws: Array


def budget_document(
    found: Records,
    fleet: FleetFit,
    tables: Tables,
    settings: Settings,
    asked: Asked,
    *,
    rng: np.random.Generator,
) -> dict[str, Any]:
    """The `budget` document.

    In   found, fleet: records and fit of the day; tables: the store's; asked: the period (and
         slots and pins of its plan)
    Out  currency, total, interval90, by_item, by_group, meters (cost, interval90,
         keep_or_replace with its reason), risk, plan (visits, days out), lacks, notes
    """
    if asked.last < asked.first:
        raise NothingToSayError(
            f"the budget ends on {asked.last}, before it begins on {asked.first}: turn them round"
        )
    here = found.meters.filter(~pl.col("gone") | pl.col("meter_id").is_in(_busy(found, asked)))
    ids = here["meter_id"].to_list()
    plan, lacks = _plan(found, fleet, tables, settings, asked)
    items, missing = _items(found, fleet, tables, asked, here=here, plan=plan, rng=rng)
    whole = sum(
        (spent.sure[:, None] + spent.draws for spent in items.values()),
        start=np.zeros((len(ids), 1)),
    )
    verdicts = keep_or_replace(found, fleet, tables, here)
    money = prices(tables["costs"], here["group"].to_list())
    return {
        "from": asked.first,
        "to": asked.last,
        "currency": money.currency,
        "total": float(whole.mean(axis=1).sum()),
        "interval90": _interval(whole.sum(axis=0)),
        "by_item": [_item_row(name, spent) for name, spent in items.items()],
        "by_group": _group_rows(here["group"].to_list(), whole),
        "meters": [
            {"meter_id": name, "cost": float(whole[m].mean()), "interval90": _interval(whole[m])}
            | verdicts[name]
            for m, name in enumerate(ids)
        ],
        "risk": None if plan is None else _risk(plan),
        "visits_planned": 0 if plan is None else len(plan["visits"]),
        "lacks": [*lacks, *missing],
        "notes": _notes(found, asked),
    }


def _busy(found: Records, asked: Asked) -> list[str]:
    """Meters, gone or not, with a session in the part of the period that is past."""
    days = pl.col("measured_at").dt.date()
    return (
        found.sessions.filter((days >= asked.first) & (days <= asked.last))["meter_id"]
        .unique()
        .to_list()
    )


def _plan(
    found: Records, fleet: FleetFit, tables: Tables, settings: Settings, asked: Asked
) -> tuple[dict[str, Any] | None, list[str]]:
    """The visits of what is left of the period."""
    if asked.last <= found.as_of:
        return None, []
    plan = plan_document(found, fleet, tables, settings, asked)
    return plan, list(plan["lacks"])


def _interval(values: Array) -> list[float]:
    """The middle 90 %, widened to hold the mean: of one meter a rare purchase lies outside it."""
    low, high = np.quantile(values, [0.05, 0.95])
    mean = values.mean()
    return [float(min(low, mean)), float(max(high, mean))]


def _item_row(name: str, spent: Spent) -> dict[str, Any]:
    total = spent.sure.sum() + spent.draws.sum(axis=0)
    return {
        "item": name,
        "cost": float(np.mean(total)),
        "interval90": _interval(np.atleast_1d(total)),
    }


def _group_rows(groups: list[str], whole: Array) -> list[dict[str, Any]]:
    rows = []
    for group in sorted(set(groups)):
        part = whole[[g == group for g in groups]]
        rows.append(
            {
                "group": group,
                "meters": part.shape[0],
                "cost": float(part.mean(axis=1).sum()),
                "interval90": _interval(part.sum(axis=0)),
            }
        )
    return rows


def _risk(plan: dict[str, Any]) -> dict[str, Any]:
    return {
        "money": plan["cost"]["plan"] - plan["cost"]["visits"],
        "money_without_visits": plan["cost"]["without_visits"],
        "days_out_of_tolerance": plan["days_out_of_tolerance"]["plan"],
        "days_out_without_visits": plan["days_out_of_tolerance"]["without_visits"],
    }


def _notes(found: Records, asked: Asked) -> list[str]:
    notes = ["The price of days ridden out of tolerance is a risk, not an expense: see risk."]
    if asked.first <= found.as_of:
        end = min(asked.last, found.as_of)
        notes.append(f"{asked.first} to {end} is counted from the records; the rest is expected.")
    return notes


# --- items ------------------------------------------------------------------------------------


def _items(
    found: Records,
    fleet: FleetFit,
    tables: Tables,
    asked: Asked,
    *,
    here: pl.DataFrame,
    plan: dict[str, Any] | None,
    rng: np.random.Generator,
) -> tuple[dict[str, Spent], list[str]]:
    """Each item's money by meter, and what had to be assumed."""
    groups = here["group"].to_list()
    costs, lacks = tables["costs"], []
    battery = np.array([unit_cost(costs, "battery", g) or 0.0 for g in groups])
    new = _new_price(costs, here)
    if not battery.any():
        lacks.append("costs has no battery: batteries count as nothing")
    if not new.any():
        lacks.append("costs has no replacement, meters no purchase_cost: none is budgeted")
    nothing = np.zeros((here.height, 1))
    items = {
        "bench_session": Spent(
            _visits(found, here, asked, plan) * prices(costs, groups).visit, nothing
        ),
        "battery": _batteries(found, fleet, here, asked, battery=battery, rng=rng),
        "service": Spent(_event_costs(found, here, asked), nothing),
        "replacement": _replacements(found, here, asked, new=new, rng=rng),
    }
    return items, lacks


def _in_period(frame: pl.DataFrame, column: pl.Expr, asked: Asked, today: date) -> pl.DataFrame:
    return frame.filter((column >= asked.first) & (column <= min(asked.last, today)))


def _count(frame: pl.DataFrame, here: pl.DataFrame) -> Array:
    counted = dict(frame.group_by("meter_id").len().iter_rows())
    return np.array([float(counted.get(name, 0)) for name in here["meter_id"]])


def _visits(found: Records, here: pl.DataFrame, asked: Asked, plan: dict[str, Any] | None) -> Array:
    """Sessions held in the period, and visits planned for the rest of it."""
    held = _in_period(found.sessions, pl.col("measured_at").dt.date(), asked, found.as_of)
    planned: dict[str, int] = defaultdict(int)
    for visit in plan["visits"] if plan else []:
        planned[visit["meter_id"]] += 1
    total: Array = _count(held, here)
    total += np.array([float(planned[name]) for name in here["meter_id"]])
    return total


def _own_events(found: Records, asked: Asked) -> pl.DataFrame:
    confirmed = ~pl.col("state").fill_null("confirmed").is_in(["proposed", "rejected"])
    own = found.events.filter(pl.col("meter_id").is_not_null() & confirmed)
    return _in_period(own, pl.col("date"), asked, found.as_of)


def _batteries(
    found: Records,
    fleet: FleetFit,
    here: pl.DataFrame,
    asked: Asked,
    *,
    battery: Array,
    rng: np.random.Generator,
) -> Spent:
    """Swaps in the records at their own cost, else the item's; those to come as expected."""
    swaps = _own_events(found, asked).filter(pl.col("event") == "battery_swap")
    price = dict(zip(here["meter_id"], battery.tolist(), strict=True))
    sure: dict[str, float] = defaultdict(float)
    for name, cost in swaps.select("meter_id", "cost").iter_rows():
        sure[name] += price.get(name, 0.0) if cost is None else cost
    mean = np.zeros(here.height)
    if asked.last > found.as_of:
        known = {name: i for i, name in enumerate(fleet.prepared.devices.meters)}
        index = np.array([known[name] for name in here["meter_id"]], dtype=np.int64)
        outlook = fleet.posterior.outlook
        start = max(asked.first - timedelta(days=1), found.as_of)
        counts = [
            outlook.expected(index, np.full(index.size, year_of(day)))[0]
            for day in (start, asked.last)
        ]
        alive = ~here["gone"].to_numpy()
        mean = np.maximum(counts[1] - counts[0], 0.0) * alive
    return Spent(
        np.array([sure[name] for name in here["meter_id"]]), _about(mean, rng) * battery[:, None]
    )


def _about(mean: Array, rng: np.random.Generator) -> Array:
    """Whole numbers with a mean: its floor, or one more. Intervals of batteries vary little, so
    the count is nearly the mean."""
    floor = np.floor(mean)[:, None]
    more = rng.random((mean.size, DRAWS)) < (mean - np.floor(mean))[:, None]
    return np.asarray(floor + more)


def _event_costs(found: Records, here: pl.DataFrame, asked: Asked) -> Array:
    """What other recorded events have cost."""
    rest = _own_events(found, asked).filter(pl.col("event") != "battery_swap")
    cost = dict(rest.group_by("meter_id").agg(pl.col("cost").sum()).iter_rows())
    return np.array([float(cost.get(name) or 0.0) for name in here["meter_id"]])


def _new_price(costs: pl.DataFrame, here: pl.DataFrame) -> Array:
    """The price of a new meter: the item's for its group, else what it once cost."""
    rows = here.select("group", "purchase_cost").iter_rows()
    return np.array([unit_cost(costs, "replacement", group) or paid or 0.0 for group, paid in rows])


def replacement_rate(found: Records) -> tuple[float, float]:
    """Replacements so far and the meter-years they happened in, with a weak prior: shape and
    years of the rate's gamma distribution."""
    replaced = found.meters["replaces_meter_id"].drop_nulls().len()
    end = pl.min_horizontal(pl.col("retired_date").fill_null(found.as_of), pl.lit(found.as_of))
    days = found.meters.select((end - pl.col("in_service_on")).dt.total_days().clip(0)).to_series()
    return PRIOR_REPLACED + replaced, PRIOR_YEARS + float(days.sum() or 0) / 365.25


def _replacements(
    found: Records, here: pl.DataFrame, asked: Asked, *, new: Array, rng: np.random.Generator
) -> Spent:
    """Meters bought as replacements in the records; those to come at the fleet's own rate, whose
    uncertainty all meters share."""
    bought = _in_period(
        here.filter(pl.col("replaces_meter_id").is_not_null()),
        pl.coalesce("purchase_date", "in_service_on"),
        asked,
        found.as_of,
    )
    paid = dict(bought.select("meter_id", "purchase_cost").iter_rows())
    sure = np.array(
        [
            float(paid[name] or price) if name in paid else 0.0
            for name, price in zip(here["meter_id"], new.tolist(), strict=True)
        ]
    )
    start = max(asked.first - timedelta(days=1), found.as_of)
    years = max(0.0, (asked.last - start).days / 365.25)
    shape, exposure = replacement_rate(found)
    rate = rng.gamma(shape, 1 / exposure, DRAWS)
    chance = 1 - np.exp(-rate * years)
    alive = ~here["gone"].to_numpy()
    lost = (rng.random((here.height, DRAWS)) < chance) & alive[:, None]
    return Spent(sure, lost * new[:, None])


# --- keep or replace --------------------------------------------------------------------------


def keep_or_replace(
    found: Records, fleet: FleetFit, tables: Tables, here: pl.DataFrame
) -> dict[str, dict[str, Any]]:
    """For each meter: keep or replace, and why.

    What it takes to hold a meter within tolerance for a year (visits at its best interval and the
    days out of tolerance that remain) against the same for a new one of its group, over three
    years, with the price of the new one.
    """
    costs, groups = tables["costs"], here["group"].to_list()
    money, new = prices(costs, groups), _new_price(costs, here)
    usual = nature_of(fleet, surroundings(fleet, here, found.data))
    days = money.visit / money.day
    fresh = cheapest_average(Belief(usual), days) * money.day * 365.25
    own = cheapest_average(_today(fleet, here, Belief(usual)), days) * money.day * 365.25
    fixed = (here["slope_convention"] == "fixed").fill_null(False).to_numpy()
    own = np.where(fixed, _left_alone(fleet, here) * money.day * 365.25, own)
    unit = f" {money.currency}" if money.currency else ""
    return {
        name: _verdict(
            float(own[m]),
            float(fresh[m]),
            float(new[m]),
            unit=unit,
            fixed=bool(fixed[m]),
            gone=gone,
        )
        for m, (name, gone) in enumerate(here.select("meter_id", "gone").iter_rows())
    }


def _today(fleet: FleetFit, here: pl.DataFrame, belief: Belief) -> Belief:
    """The belief about the meters themselves: today's error and drift."""
    drift = here.select("meter_id").join(
        fleet.drift(), on="meter_id", how="left", maintain_order="left"
    )
    mean, sd = fleet.gain_error([("meter", name) for name in here["meter_id"]], fleet.today)
    known = drift["drift_ln"].is_not_null().to_numpy()
    belief.mean[:, 0] = mean
    belief.mean[:, 1] = np.where(known, drift["drift_ln"].fill_null(0.0), belief.mean[:, 1])
    own = drift["drift_sd_ln"].fill_null(0.0).to_numpy() ** 2
    belief.P[:, 1, 1] = np.where(known, own, belief.P[:, 1, 1])
    belief.P[:, 0, 0] = sd**2
    belief.P[:, 0, 1] = belief.P[:, 1, 0] = 0.0
    return belief


def _left_alone(fleet: FleetFit, here: pl.DataFrame) -> Array:
    """Mean risk of the next three years without any reset (a slope that cannot be set)."""
    mean, sd = fleet.forecast(fleet.today, np.arange(0.0, 365.25 * LIFE_YEARS, 28.0))
    row = {name: i for i, name in enumerate(fleet.prepared.devices.meters)}
    index = [row[name] for name in here["meter_id"]]
    tolerance = here["tolerance_pct"].cast(pl.Float64).to_numpy()[:, None]
    return np.asarray(1 - p_within(mean[index], sd[index], tolerance).mean(axis=1))


def _verdict(
    own: float, fresh: float, new: float, *, unit: str, fixed: bool, gone: bool
) -> dict[str, Any]:
    yearly = {"holding_cost_per_year": own, "new_holding_cost_per_year": fresh}
    if gone:
        return {"keep_or_replace": None, "reason": "It has left the fleet.", **yearly}
    pays = LIFE_YEARS * (own - fresh) > new > 0
    how = "cannot be reset: its days out of tolerance cost" if fixed else "takes"
    text = (
        f"It {how} {own:.0f}{unit} a year{'' if fixed else ' to hold within tolerance'}, a new one "
        f"{fresh:.0f}{unit}"
    )
    if new <= 0:
        return {
            "keep_or_replace": "keep",
            "reason": f"{text}; the price of a new one is unknown.",
            **yearly,
        }
    if pays:
        text += f": {new:.0f}{unit} for a new one pay for themselves within {LIFE_YEARS:.0f} years."
    else:
        text += f": not worth {new:.0f}{unit} over {LIFE_YEARS:.0f} years."
    return {"keep_or_replace": "replace" if pays else "keep", "reason": text, **yearly}
