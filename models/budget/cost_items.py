"""The items of a budget: what has been spent by a day, and draws of what is to come."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from ingest.schema import confirmed
from models.budget.own_rates import DRAWS, services_to_come, swaps_to_come
from models.metrology import DAYS_A_YEAR, Array, Mask
from models.records import Records, Tables
from models.season import PlanDocument, SeasonAsk, prices, unit_cost

PRIOR_REPLACED, PRIOR_YEARS = 0.5, 10.0  # replacements and meter-years before there are data


@dataclass(frozen=True)
class Spent:
    """Money of each meter: what is sure [M], and draws of what is not [M, DRAWS]."""

    sure: Array
    draws: Array

    def sums(self) -> Array:
        """Return draws of what all meters together come to [DRAWS]."""
        return np.asarray(self.sure.sum() + self.draws.sum(axis=0))

    def total(self) -> float:
        """Return what all meters together come to on average."""
        return float(self.sums().mean())


def money_interval(values: Array) -> list[float]:
    """Return the middle 90 %, widened to hold the mean: a rare purchase lies outside it."""
    low, high = np.quantile(values, [0.05, 0.95])
    mean = values.mean()
    return [float(min(low, mean)), float(max(high, mean))]


def budget_items(
    found: Records,
    tables: Tables,
    ask: SeasonAsk,
    *,
    here: pl.DataFrame,
    plan: PlanDocument | None,
    rng: np.random.Generator,
) -> tuple[dict[str, Spent], list[str]]:
    """Return each item's money by meter, and what had to be assumed."""
    groups = here["group"].to_list()
    costs, lacks = tables["costs"], []
    battery = np.array([unit_cost(costs, "battery", g) or 0.0 for g in groups])
    new = new_price(costs, here)
    if not battery.any():
        lacks.append("costs has no battery: batteries count as nothing")
    if not new.any():
        lacks.append("costs has no replacement, meters no purchase_cost: none is budgeted")
    nothing = np.zeros((here.height, 1))
    items = {
        "bench_session": Spent(
            sum(bench_visits(found, here, ask, plan)) * prices(costs, groups).visit, nothing
        ),
        "battery": _batteries(found, here, ask, battery=battery, rng=rng),
        "service": Spent(
            _event_costs(found, here, ask),
            services_to_come(found, _years_ahead(found, here, ask), new, rng),
        ),
        "recertification": Spent(_recertified(found, tables["mass_sets"], here, ask), nothing),
        "purchase": Spent(_bought(here, ask, new), nothing),
        "replacement": _replacements(found, here, ask, new=new, rng=rng),
    }
    return items, lacks


def _in_period(frame: pl.DataFrame, column: pl.Expr, ask: SeasonAsk, today: date) -> pl.DataFrame:
    return frame.filter((column >= ask.first) & (column <= min(ask.last, today)))


def _count(frame: pl.DataFrame, here: pl.DataFrame) -> Array:
    counted = dict(frame.group_by("meter_id").len().iter_rows())
    return np.array([float(counted.get(name, 0)) for name in here["meter_id"]])


def bench_visits(
    found: Records, here: pl.DataFrame, ask: SeasonAsk, plan: PlanDocument | None
) -> tuple[Array, Array]:
    """Return sessions held in the period, and visits planned for the rest of it, [M] each."""
    held = _in_period(found.sessions, pl.col("measured_at").dt.date(), ask, found.as_of)
    planned: dict[str, int] = defaultdict(int)
    for visit in plan["visits"] if plan else []:
        planned[visit["meter_id"]] += 1
    return _count(held, here), np.array([float(planned[name]) for name in here["meter_id"]])


def _own_events(found: Records, ask: SeasonAsk) -> pl.DataFrame:
    own = found.events.filter(pl.col("meter_id").is_not_null() & confirmed())
    return _in_period(own, pl.col("date"), ask, found.as_of)


def _batteries(
    found: Records,
    here: pl.DataFrame,
    ask: SeasonAsk,
    *,
    battery: Array,
    rng: np.random.Generator,
) -> Spent:
    """Price swaps in the records at their own cost, else the item's; those to come at own rates."""
    swaps = _own_events(found, ask).filter(pl.col("event") == "battery_swap")
    price = dict(zip(here["meter_id"], battery.tolist(), strict=True))
    sure: dict[str, float] = defaultdict(float)
    for name, cost in swaps.select("meter_id", "cost").iter_rows():
        sure[name] += price.get(name, 0.0) if cost is None else cost
    counts = swaps_to_come(found, here, _years_ahead(found, here, ask), rng)
    return Spent(np.array([sure[name] for name in here["meter_id"]]), counts * battery[:, None])


def _years_ahead(found: Records, here: pl.DataFrame, ask: SeasonAsk) -> Array:
    """Return the years of the period to come for each meter [M]; 0 where nothing is expected."""
    start = max(ask.first - timedelta(days=1), found.as_of)
    return np.asarray(_with_us(here), dtype=np.float64) * max(
        0.0, (ask.last - start).days / DAYS_A_YEAR
    )


def _with_us(here: pl.DataFrame) -> Mask:
    """Return the meters that a season costs money for: not gone, and not lent out [M]."""
    lent = (pl.col("state") == "lent").fill_null(False)
    return here.select(~pl.col("gone") & ~lent).to_series().to_numpy()


def _event_costs(found: Records, here: pl.DataFrame, ask: SeasonAsk) -> Array:
    """Return what other recorded events have cost [M]."""
    rest = _own_events(found, ask).filter(pl.col("event") != "battery_swap")
    cost = dict(rest.group_by("meter_id").agg(pl.col("cost").sum()).iter_rows())
    return np.array([float(cost.get(name) or 0.0) for name in here["meter_id"]])


def _recertified(
    found: Records, mass_sets: pl.DataFrame, here: pl.DataFrame, ask: SeasonAsk
) -> Array:
    """Return recertifications of mass sets, done and due in the period, in equal parts [M]."""
    done = _in_period(recertifications(found), pl.col("date"), ask, found.as_of)["cost"].sum()
    due = due_certificates(mass_sets, after=max(found.as_of, ask.first), last=ask.last)
    total = float(done) + len(due) * (usual_recertification(found) or 0.0)
    return np.full(here.height, total / max(here.height, 1))


def recertifications(found: Records) -> pl.DataFrame:
    """Return the events at which a mass set was certified again, those that cost something."""
    own = pl.col("bench_id").is_not_null() & (pl.col("event") == "recertified")
    return found.events.filter(own & (pl.col("cost") > 0) & confirmed())


def usual_recertification(found: Records) -> float | None:
    """Return what the last recertification cost; None where none did."""
    last = recertifications(found).sort("date")["cost"]
    return float(last[-1]) if len(last) else None


def due_certificates(mass_sets: pl.DataFrame, *, after: date, last: date) -> list[str]:
    """Return the mass sets whose certificate ends within a period."""
    due = mass_sets.filter((pl.col("due_on") > after) & (pl.col("due_on") <= last))
    return due["bench_id"].to_list()


def new_price(costs: pl.DataFrame, here: pl.DataFrame) -> Array:
    """Return the price of a new meter: the item's for its group, else what it once cost."""
    rows = here.select("group", "purchase_cost").iter_rows()
    return np.array([unit_cost(costs, "replacement", group) or paid or 0.0 for group, paid in rows])


def replacement_rate(found: Records) -> tuple[float, float]:
    """Return shape and years of the replacement rate's gamma distribution.

    Replacements so far and the meter-years they happened in, with a weak prior.
    """
    replaced = found.meters["replaces_meter_id"].drop_nulls().len()
    end = pl.min_horizontal(pl.col("retired_date").fill_null(found.as_of), pl.lit(found.as_of))
    days = found.meters.select((end - pl.col("in_service_on")).dt.total_days().clip(0)).to_series()
    return PRIOR_REPLACED + replaced, PRIOR_YEARS + float(days.sum() or 0) / DAYS_A_YEAR


def purchases() -> pl.Expr:
    """Return whether a meter was bought beside the others, for none that it replaces."""
    return pl.col("replaces_meter_id").is_null() & pl.col("purchase_date").is_not_null()


def _bought(here: pl.DataFrame, ask: SeasonAsk, new: Array) -> Array:
    """Price meters bought in the period, done or planned, that replace none [M]."""
    mine = purchases() & pl.col("purchase_date").is_between(ask.first, ask.last)
    paid = pl.coalesce(pl.col("purchase_cost").cast(pl.Float64), pl.Series(new))
    return here.select(pl.when(mine).then(paid).otherwise(0.0)).to_series().to_numpy()


def _replacements(
    found: Records, here: pl.DataFrame, ask: SeasonAsk, *, new: Array, rng: np.random.Generator
) -> Spent:
    """Price replacements in the records, and those to come at the fleet's own rate.

    All meters share the rate's uncertainty.
    """
    bought = _in_period(
        here.filter(pl.col("replaces_meter_id").is_not_null()),
        pl.coalesce("purchase_date", "in_service_on"),
        ask,
        found.as_of,
    )
    paid = dict(bought.select("meter_id", "purchase_cost").iter_rows())
    sure = np.array(
        [
            float(paid[name] or price) if name in paid else 0.0
            for name, price in zip(here["meter_id"], new.tolist(), strict=True)
        ]
    )
    start = max(ask.first - timedelta(days=1), found.as_of)
    years = max(0.0, (ask.last - start).days / DAYS_A_YEAR)
    shape, exposure = replacement_rate(found)
    rate = rng.gamma(shape, 1 / exposure, DRAWS)
    chance = 1 - np.exp(-rate * years)
    alive = _with_us(here)
    lost = (rng.random((here.height, DRAWS)) < chance) & alive[:, None]
    return Spent(sure, lost * new[:, None])
