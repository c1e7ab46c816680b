"""Keep a meter or replace it: what holding it within tolerance takes against a new one."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.cost_items import new_price
from models.due import p_within
from models.fleet import FleetFit
from models.policy_nature import Belief, nature_of, surroundings
from models.policy_rules import cheapest_average
from models.season_stake import Tables, prices

if TYPE_CHECKING:
    from models.assess import Records

Array = NDArray[np.float64]
LIFE_YEARS = 3.0  # over which a new meter must pay for itself


def keep_or_replace(
    found: Records, fleet: FleetFit, tables: Tables, here: pl.DataFrame
) -> dict[str, dict[str, Any]]:
    """For each meter: keep or replace, and why.

    What it takes to hold a meter within tolerance for a year (visits at its best interval and the
    days out of tolerance that remain) against the same for a new one of its group, over three
    years, with the price of the new one.
    """
    costs, groups = tables["costs"], here["group"].to_list()
    money, new = prices(costs, groups), new_price(costs, here)
    usual = nature_of(fleet, surroundings(fleet, here, found.data))
    days = money.visit / money.day
    fresh = cheapest_average(Belief(usual), days) * money.day * 365.25
    own = cheapest_average(believed_today(fleet, here, Belief(usual)), days) * money.day * 365.25
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


def ranked(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of meters, what is best replaced first: by what a new one would gain."""

    def order(row: dict[str, Any]) -> tuple[float, str]:
        gain = row["gain_if_replaced"]
        return (np.inf if gain is None else -gain, row["meter_id"])

    return sorted(rows, key=order)


def believed_today(fleet: FleetFit, here: pl.DataFrame, belief: Belief) -> Belief:
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
    yearly: dict[str, Any] = {"holding_cost_per_year": own, "new_holding_cost_per_year": fresh}
    yearly["gain_if_replaced"] = LIFE_YEARS * (own - fresh) - new if new > 0 and not gone else None
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
