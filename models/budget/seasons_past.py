"""The period of a budget beside the same days of the two years before, and why they differ."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl

from ingest.schema import confirmed, grouped
from models.budget.cost_items import (
    Spent,
    due_certificates,
    money_interval,
    new_price,
    purchases,
    recertifications,
    replacement_rate,
)
from models.budget.documents import BesideRow, DaysWithMishaps, PastSeason
from models.budget.own_rates import meter_years, recorded_from, services, swap_rates
from models.fleet import FleetFit
from models.metrology import DAYS_A_YEAR, Array, percent_from_ln, percent_sd
from models.policies import PolicyRecord
from models.records import Records, Tables
from models.season import PlanDocument, SeasonAsk, days_between, exposure_of, prices, unit_cost
from models.status import p_within

YEARS_BACK = (2, 1)
MOST = 3  # meters that the record names
STEP_DAYS = 14  # between the days on which past errors are looked at


def beside(
    found: Records,
    fleet: FleetFit,
    tables: Tables,
    ask: SeasonAsk,
    *,
    plan: PlanDocument | None,
    struck: DaysWithMishaps | None,
    items: Mapping[str, Spent],
) -> list[BesideRow]:
    """Return a row an item: the same days two years and a year ago, the period, why they differ."""
    past = [year_before(ask, years) for years in YEARS_BACK]
    spent, unit = _ledgers(found, tables), prices(tables["costs"], []).currency or ""
    whys = {
        "bench_session": _why_visits(found, past[-1], spent["bench_session"], unit),
        "battery": _why_batteries(found),
        "service": _why_services(found, unit),
        "purchase": "Meters that replace none: they are budgeted where the meters table has a "
        "purchase_date in the period.",
        "replacement": _why_replaced(found),
        "recertification": _why_certificates(tables["mass_sets"], ask),
    }
    rows: list[BesideRow] = [
        {
            "what": what,
            "before": [_season(ledger, one) for one in past],
            "n": _visits(ledger, ask, plan) if what == "bench_session" else None,
            "money": items[what].total(),
            "interval90": money_interval(items[what].sums()),
            "why": whys[what] + _short(found, past[0]),
        }
        for what, ledger in spent.items()
    ]
    return [*rows, _days_row(found, fleet, tables, past, struck)]


def year_before(ask: SeasonAsk, years: int) -> SeasonAsk:
    """Return the same days some years earlier; 29 February becomes the 28th."""
    first, last = (_earlier(day, years) for day in (ask.first, ask.last))
    return replace(ask, first=first, last=last)


def _earlier(day: date, years: int) -> date:
    return date(day.year - years, day.month, min(day.day, 28) if day.month == 2 else day.day)


def _ledgers(found: Records, tables: Tables) -> dict[str, pl.DataFrame]:
    """Return what was spent on each item, a row a time: on, money (null: no price known)."""
    costs = tables["costs"]
    group = dict(found.meters.select("meter_id", "group").iter_rows())
    visit = dict(zip(group, prices(costs, list(group.values())).visit.tolist(), strict=True))
    swap = {meter: unit_cost(costs, "battery", name) for meter, name in group.items()}
    own = found.events.filter(pl.col("meter_id").is_not_null() & confirmed())
    swaps = own.filter(pl.col("event") == "battery_swap")
    paid = own.filter((pl.col("event") != "battery_swap") & (pl.col("cost") > 0))
    bought = found.meters.with_columns(
        on=pl.coalesce("purchase_date", "in_service_on"),
        money=pl.Series(new_price(costs, found.meters)),
    ).with_columns(money=pl.coalesce(pl.col("purchase_cost").cast(pl.Float64), "money"))
    return {
        "bench_session": found.sessions.select(
            on=pl.col("measured_at").dt.date(), money=_priced(visit)
        ),
        "battery": swaps.select(on="date", money=pl.coalesce("cost", _priced(swap))),
        "service": paid.select(on="date", money="cost"),
        "purchase": bought.filter(purchases()),
        "replacement": bought.filter(pl.col("replaces_meter_id").is_not_null()),
        "recertification": recertifications(found).select(on="date", money="cost"),
    }


def _priced(price: Mapping[str, float | None]) -> pl.Expr:
    names, money = list(price), [price[name] for name in price]
    return pl.col("meter_id").replace_strict(names, money, default=None, return_dtype=pl.Float64)


def _season(ledger: pl.DataFrame, ask: SeasonAsk) -> PastSeason:
    rows = ledger.filter(pl.col("on").is_between(ask.first, ask.last))
    return {
        "from": ask.first,
        "to": ask.last,
        "n": float(rows.height),
        "money": float(rows["money"].sum() or 0.0),
    }


def _visits(sessions: pl.DataFrame, ask: SeasonAsk, plan: PlanDocument | None) -> float:
    """Return the sessions held in the period and the visits planned for the rest of it."""
    return _season(sessions, ask)["n"] + (len(plan["visits"]) if plan else 0)


def _short(found: Records, oldest: SeasonAsk) -> str:
    begun = recorded_from(found)
    return f" The records begin on {begun}." if begun > oldest.first else ""


def _why_visits(found: Records, last: SeasonAsk, sessions: pl.DataFrame, unit: str) -> str:
    held = found.sessions.filter(
        pl.col("measured_at").dt.date().is_between(last.first, last.last)
        & pl.col("gain_error_pct").is_finite()
    ).join(found.meters.select("meter_id", limit="tolerance_pct"), on="meter_id")
    out = int((held["gain_error_pct"].abs() > held["limit"]).sum())
    again = f"{grouped(_season(sessions, last)['money'] or 0.0)} {unit}".rstrip()
    return (
        f"Of {held.height} sessions a year ago {out} found a meter out of tolerance. The plan "
        "sends a meter only where a visit costs less than the days it spares; visits after a "
        f"knock or an alarm come on top. As many as a year ago would cost {again}."
    )


def _why_batteries(found: Records) -> str:
    rates = swap_rates(found).values()
    count, years = sum(rate.count for rate in rates), sum(rate.years for rate in rates)
    if not count:
        return "No battery swap is in the records: none is expected."
    return (
        f"{count} swaps in {years:.0f} meter-years of records, {count / years:.1f} a meter and "
        "year, each group at its own rate."
    )


def _why_services(found: Records, unit: str) -> str:
    rate, paid = services(found)
    if not rate.count:
        return "No paid service is in the records: none is expected."
    return (
        f"{rate.count} paid services in {rate.years:.0f} meter-years of records, at "
        + f"{grouped(paid.mean())} {unit}".rstrip()
        + " on average."
    )


def _why_replaced(found: Records) -> str:
    replaced = found.meters["replaces_meter_id"].drop_nulls().len()
    shape, years = replacement_rate(found)
    lost = found.meters["state"].is_in(["lost", "written_off"]).sum()
    return (
        f"{replaced} replaced and {lost} lost or written off in "
        f"{sum(meter_years(found).values()):.0f} meter-years of records; expected are "
        f"{100 * shape / years:.1f} replacements for 100 meters in a year."
    )


def _why_certificates(mass_sets: pl.DataFrame, ask: SeasonAsk) -> str:
    due = due_certificates(mass_sets, after=ask.first - timedelta(days=1), last=ask.last)
    if due:
        return f"The certificate of {', '.join(due)} ends in this period."
    later = mass_sets.filter(pl.col("due_on") > ask.last).sort("due_on")
    if later.is_empty():
        return "No certificate ends in this period."
    return (
        f"No certificate ends in this period; that of {later['bench_id'][0]} ends on "
        f"{later['due_on'][0]}."
    )


def _days_row(
    found: Records,
    fleet: FleetFit,
    tables: Tables,
    past: list[SeasonAsk],
    struck: DaysWithMishaps | None,
) -> BesideRow:
    before: list[PastSeason] = [
        {"from": one.first, "to": one.last, "n": days_out(found, fleet, tables, one), "money": None}
        for one in past
    ]
    return {
        "what": "days_out_of_tolerance",
        "before": before,
        "n": None if struck is None else struck["days"],
        "money": None,
        "interval90": None if struck is None else struck["interval90"],
        "why": "The past is as the fit has it today." + _why_days(struck) + _short(found, past[0]),
    }


def _why_days(struck: DaysWithMishaps | None) -> str:
    if struck is None:
        return ""
    return (
        f" Of what is to come the plan leaves {struck['days'] - struck['by_mishaps']:.0f}; "
        f"{struck['by_mishaps']:.0f} are for {struck['mishaps']:.1f} mishaps (knocks, wrong "
        "settings and entries), at the team's own rates."
    )


def days_out(found: Records, fleet: FleetFit, tables: Tables, ask: SeasonAsk) -> float:
    """Return the days of a past period that meters were ridden out of tolerance, as expected now.

    Looked at every STEP_DAYS days; a meter counts from its first day in service.
    """
    return float(_out_and_ridden(found, fleet, tables, ask)[0].sum())


def policy_record(found: Records, fleet: FleetFit, tables: Tables) -> PolicyRecord | None:
    """Return what the team did in the year up to today; None where nothing was ridden in it."""
    ask = SeasonAsk(found.as_of - timedelta(days=364), found.as_of)
    out, ridden = _out_and_ridden(found, fleet, tables, ask)
    days = days_between(ask.first, ask.last)
    years = float(_in_service(found.meters, days).sum()) / DAYS_A_YEAR
    held = found.sessions.filter(pl.col("measured_at").dt.date() >= ask.first).height
    if not ridden.any() or not years:
        return None
    most = sorted(zip(out.tolist(), found.meters["meter_id"], strict=True), reverse=True)
    return {
        "from": ask.first,
        "to": ask.last,
        "visits_per_meter_year": held / years,
        "out_of_tolerance_share": float(out.sum() / ridden.sum()),
        "most": [{"meter_id": name, "days_out": days} for days, name in most[:MOST] if days >= 1],
    }


def _out_and_ridden(
    found: Records, fleet: FleetFit, tables: Tables, ask: SeasonAsk
) -> tuple[Array, Array]:
    """Return each meter's days out of tolerance and days ridden in a past period, [M] each."""
    last, meters = min(ask.last, found.as_of), found.meters
    out, ridden_out = np.zeros((2, meters.height))
    if last < ask.first:
        return out, ridden_out
    days = days_between(ask.first, last)
    ids = meters["meter_id"].to_list()
    ridden = exposure_of(ids, days, tables["calendar"], tables["assignments"]).ridden
    ridden = ridden * _in_service(meters, days)
    looked = days[:: min(STEP_DAYS, len(days))]
    for k, day in enumerate(looked):
        span = ridden[:, k * STEP_DAYS : (k + 1) * STEP_DAYS].sum(axis=1)
        mean, sd = fleet.gain_error([("meter", name) for name in ids], day)
        limit = meters["tolerance_pct"].cast(pl.Float64).to_numpy()
        p = p_within(percent_from_ln(mean), percent_sd(mean, sd), limit)
        out += (1 - p) * span
        ridden_out += span
    return out, ridden_out


def _in_service(meters: pl.DataFrame, days: list[date]) -> Array:
    """Return whether each meter was in service on each day, 1 or 0 [M, D]."""
    first = meters["in_service_on"].to_numpy().astype("datetime64[D]")
    gone = meters["retired_date"].fill_null(date.max).to_numpy().astype("datetime64[D]")
    on = np.array(days, dtype="datetime64[D]")
    return ((on >= first[:, None]) & (on <= gone[:, None])).astype(np.float64)
