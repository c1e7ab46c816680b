"""Keep a meter or replace it: what holding it within tolerance takes against a new one."""

from collections.abc import Iterable
from datetime import date, timedelta
from typing import TypedDict

import numpy as np
import polars as pl
from scipy.special import ndtri

from ingest.schema import grouped
from models.budget.cost_items import new_price
from models.budget.documents import MeterCost, Verdict
from models.fleet import FleetFit
from models.metrology import DAYS_A_YEAR, Array, percent_from_ln, percent_sd
from models.policies import (
    KalmanFilter,
    ProcessParameters,
    cheapest_average,
    data_summary,
    process_parameters,
)
from models.records import Records, Tables, typed_rows
from models.season import days_between, exposure_of, prices
from models.status import p_within
from models.wording import chance

LIFE_YEARS, YEARS_SAID = 3.0, "3 years"  # over which a new meter must pay for itself
SURE = 0.8  # chance that it does, below which more is to be found out first
DRIFTS, PATHS = 20, 400  # drifts and courses of the error that a meter may have
LEAST_DAY = 1e-3  # money a day of a meter that nobody rides
SHORTEST_DAYS = 90  # a shorter period does not stand for a year


def keep_or_replace(
    found: Records,
    fleet: FleetFit,
    tables: Tables,
    here: pl.DataFrame,
    *,
    first: date | None = None,
    last: date | None = None,
) -> dict[str, Verdict]:
    """Return for each meter whether to keep or replace it, and why.

    What it takes to hold a meter within tolerance for a year (visits at its best interval and the
    days out of tolerance that remain, weighed by what it is ridden in as the season's plan
    weighs them) against the same for a new one of its group, over three years, with the price of
    the new one. A meter whose slope is fixed is left alone, and so is the new one.

    In   first, last: the period whose riding stands for every year (else the coming year)
    Out  by meter_id; the intervals are over what is not known of the meter itself
    """
    costs, groups = tables["costs"], here["group"].to_list()
    money, new = prices(costs, groups), new_price(costs, here)
    weight = _weight(found, tables, here, first=first, last=last)
    day = money.day * weight  # of a day out of tolerance as this meter is ridden
    days = money.visit / np.maximum(day, LEAST_DAY)
    usual = process_parameters(fleet, data_summary(fleet, here, found.data))
    fresh = cheapest_average(KalmanFilter(usual), days) * np.maximum(day, LEAST_DAY) * DAYS_A_YEAR
    own = _own_costs(fleet, here, usual, days) * np.maximum(day, LEAST_DAY) * DAYS_A_YEAR
    fixed = (here["slope_convention"] == "fixed").fill_null(False).to_numpy()
    own = np.where(fixed, _left_alone(fleet, here) * day * DAYS_A_YEAR, own)
    fresh = np.where(fixed, _new_left_alone(usual) * day * DAYS_A_YEAR, fresh)
    unit = f" {money.currency}" if money.currency else ""
    benched = set(found.sessions["meter_id"])
    return {
        row["meter_id"]: _verdict(
            own[:, m],
            float(fresh[m]),
            float(new[m]),
            unit=unit,
            row=row,
            ridden=bool(weight[m] > 0),
            benched=row["meter_id"] in benched,
        )
        for m, row in enumerate(typed_rows(here, _Meter))
    }


def _weight(
    found: Records, tables: Tables, here: pl.DataFrame, *, first: date | None, last: date | None
) -> Array:
    """Return what a day of each meter weighs on the average [M]: ridden or not, in which races."""
    begin = max(first or found.as_of, found.as_of)
    end = last if last is not None and (last - begin).days >= SHORTEST_DAYS else None
    days = days_between(begin, end or begin + timedelta(days=364))
    ids = here["meter_id"].to_list()
    exposure = exposure_of(ids, days, tables["calendar"], tables["assignments"])
    return np.asarray(exposure.weight.mean(axis=1))


def _own_costs(fleet: FleetFit, here: pl.DataFrame, usual: ProcessParameters, days: Array) -> Array:
    """Return the cheapest averages at equally likely drifts of each meter [PATHS, M]."""
    state = state_today(fleet, here, usual)
    mean, sd = state.mean[:, 1].copy(), np.sqrt(state.P[:, 1, 1])
    state.P[:, 1, :] = state.P[:, :, 1] = 0.0
    rows = []
    for z in ndtri((np.arange(DRIFTS) + 0.5) / DRIFTS):
        state.mean[:, 1] = mean + z * sd
        rows.append(cheapest_average(state, days))
    return np.repeat(np.array(rows), PATHS // DRIFTS, axis=0)


def ranked(rows: Iterable[MeterCost]) -> list[MeterCost]:
    """Return rows of meters, what is best replaced first: by what a new one would gain."""

    def order(row: MeterCost) -> tuple[float, str]:
        gain = row["gain_if_replaced"]
        return (np.inf if gain is None else -gain, row["meter_id"])

    return sorted(rows, key=order)


def state_today(fleet: FleetFit, here: pl.DataFrame, usual: ProcessParameters) -> KalmanFilter:
    """Return the state of the meters themselves: today's error and drift as the fit knows them.

    usual: how a new meter of each one's group behaves
    """
    state = KalmanFilter(usual)
    drift = here.select("meter_id").join(
        fleet.drift(), on="meter_id", how="left", maintain_order="left"
    )
    mean, sd = fleet.gain_error([("meter", name) for name in here["meter_id"]], fleet.today)
    known = drift["drift_ln"].is_not_null().to_numpy()
    state.mean[:, 0] = mean
    state.mean[:, 1] = np.where(known, drift["drift_ln"].fill_null(0.0), state.mean[:, 1])
    own = drift["drift_sd_ln"].fill_null(0.0).to_numpy() ** 2
    state.P[:, 1, 1] = np.where(known, own, state.P[:, 1, 1])
    state.P[:, 0, 0] = sd**2
    state.P[:, 0, 1] = state.P[:, 1, 0] = 0.0
    return state


def _left_alone(fleet: FleetFit, here: pl.DataFrame) -> Array:
    """Return the share of the next three years out of tolerance without any reset [PATHS, M].

    On many courses that the error of a meter with a fixed slope may take; 0 for other meters.
    """
    out = np.zeros((PATHS, here.height))
    days = [fleet.today + timedelta(days=28 * k) for k in range(round(13 * LIFE_YEARS) + 1)]
    steady = np.random.default_rng(PATHS).standard_normal((PATHS, len(days)))
    for m, row in enumerate(here.iter_rows(named=True)):
        if row["slope_convention"] == "fixed" and not row["gone"]:
            mean, covariance = fleet.joint([(("meter", row["meter_id"]), day) for day in days])
            values, vectors = np.linalg.eigh(covariance)
            root = vectors * np.sqrt(np.maximum(values, 0.0))
            error = percent_from_ln(mean + steady @ root.T)
            out[:, m] = (np.abs(error) > float(row["tolerance_pct"])).mean(axis=1)
    return out


def _new_left_alone(usual: ProcessParameters) -> Array:
    """Return the share of its first three years that a new meter is out without any reset [M].

    A meter whose slope is fixed is replaced by one of its kind, which cannot be reset either.
    """
    t = np.linspace(0.0, LIFE_YEARS, round(13 * LIFE_YEARS) + 1)
    rate = usual.drift + usual.swap_step / usual.swap_every
    wander = usual.walk2 + usual.swap2 / usual.swap_every
    mean = usual.start[:, None] + rate[:, None] * t
    variance = usual.line[:, 0, 0, None] + (2 * usual.line[:, 0, 1] + wander)[:, None] * t
    sd = np.sqrt(variance + usual.line[:, 1, 1, None] * t**2)
    limit = percent_from_ln(usual.tolerance)[:, None]
    p = p_within(percent_from_ln(mean), percent_sd(mean, sd), limit)
    return np.asarray(1.0 - p.mean(axis=1))


class _Meter(TypedDict):
    meter_id: str
    slope_convention: str | None
    static_check: bool | None
    gone: bool


def _verdict(
    owns: Array,
    fresh: float,
    new: float,
    *,
    unit: str,
    row: _Meter,
    ridden: bool,
    benched: bool,
) -> Verdict:
    """Weigh the yearly costs of a meter, as likely as each other, against a new one's."""
    own = float(owns.mean())
    if row["gone"]:
        gone = _keep(own, fresh, "It has left the fleet.")
        return {**gone, "keep_or_replace": None, "verdict": "gone"}
    if not ridden:
        return _keep(
            0.0,
            0.0,
            "Nobody is assigned to ride it: it needs no visit and no day of it is out of "
            "tolerance. What stands under cost is its battery and its part of the losses expected.",
        )
    fixed = row["slope_convention"] == "fixed"
    how = "It cannot be reset: its days out of tolerance" if fixed else "Visits and days out"
    text = f"{how} come to {grouped(own)}{unit} a year (priced risk counted), "
    text += f"of a new one to {grouped(fresh)}{unit}"
    if new <= 0:
        return _keep(own, fresh, f"{text}; the price of a new one is unknown.")
    gains = LIFE_YEARS * (owns - fresh) - new
    gain, pays = float(gains.mean()), float((gains > 0).mean())
    low, high = np.quantile(gains, [0.05, 0.95])
    told = _keep(own, fresh, f"{text}: not worth {grouped(new)}{unit} over {YEARS_SAID}.")
    told["gain_if_replaced"], told["chance_pays"] = gain, pays
    told["gain_interval90"] = [min(float(low), gain), max(float(high), gain)]
    price = f"a new one for {grouped(new)}{unit}"
    if gain > 0 and pays >= SURE:
        told["keep_or_replace"] = told["verdict"] = "replace"
        told["reason"] = f"{text}: {price} pays for itself in {YEARS_SAID} ({chance(pays)} sure)."
    elif gain > 0:
        still = row["static_check"] is False
        told["find_out_first"] = "compare" if still else "bench"
        told["verdict"] = "compare first" if still else "bench first"
        told["reason"] = _find_out_first(text, price, pays, still, benched)
    return told


def _keep(own: float, fresh: float, reason: str) -> Verdict:
    return {
        "verdict": "keep",
        "keep_or_replace": "keep",
        "holding_cost_per_year": own,
        "new_holding_cost_per_year": fresh,
        "gain_if_replaced": None,
        "gain_interval90": None,
        "chance_pays": None,
        "find_out_first": None,
        "reason": reason,
    }


def _find_out_first(text: str, price: str, pays: float, still: bool, benched: bool) -> str:
    way = "Compare it on rides first" if still else "Bench it first"
    never = "" if benched else " It has never been on the bench."
    never = " Hung masses prove nothing on it." if still else never
    return (
        f"{way}. {text} on average, but the chance that {price} pays for itself in {YEARS_SAID} "
        f"is only {chance(pays)}, because its error and drift are not known well enough.{never}"
    )
