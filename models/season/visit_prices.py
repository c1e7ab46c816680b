"""What a bench visit costs, and what a day ridden out of tolerance is priced at."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.metrology import Array

BENCH_HOURS = 0.75  # of a technician for a session, where only the hour has a price
VISIT_COST, DAY_COST = 40.0, 10.0  # where the costs table has none


@dataclass(frozen=True)
class Prices:
    """Money of M meters; lacks: what had to be assumed.

    visit [M] of a visit; day [M] of a day ridden out of tolerance, where no race weighs more
    """

    visit: Array
    day: Array
    currency: str | None
    lacks: tuple[str, ...]


def prices(costs: pl.DataFrame, groups: list[str]) -> Prices:
    """Return the prices of meters. In: costs: the table; groups: each meter's, M."""
    session, hour, trip, day = (
        _by_group(costs, item, groups)
        for item in ("bench_session", "bench_hour", "transport", "out_of_tolerance_day")
    )
    session = np.where(np.isnan(session), BENCH_HOURS * hour, session)
    lacks = []
    if np.isnan(session).any():
        lacks.append(
            f"costs has no bench_session (nor bench_hour): a visit is taken to cost {VISIT_COST:g}"
        )
    if np.isnan(day).any():
        lacks.append(
            "costs has no out_of_tolerance_day: a day ridden out of tolerance is taken to cost "
            f"{DAY_COST:g}"
        )
    named = costs["currency"].drop_nulls().to_list()
    return Prices(
        np.where(np.isnan(session), VISIT_COST, session) + np.nan_to_num(trip),
        np.where(np.isnan(day), DAY_COST, day),
        str(named[0]) if named else None,
        tuple(lacks),
    )


def labour_note(costs: pl.DataFrame) -> str | None:
    """Return how the technician's time enters the price of a visit; None where it has no price."""
    items = set(costs["item"])
    if "bench_session" in items:
        return "A visit costs a bench session and its transport. " + (
            "The session's price contains the technician's time: the price of an hour is not added."
            if "bench_hour" in items
            else "Put the technician's time into the session's price."
        )
    if "bench_hour" in items:
        minutes = 60 * BENCH_HOURS
        return f"A visit costs {minutes:.0f} minutes of a technician's time and its transport."
    return None


def _by_group(costs: pl.DataFrame, item: str, groups: list[str]) -> Array:
    """Return the price of an item for each meter, nan where it has none."""
    price = {group: unit_cost(costs, item, group) for group in set(groups)}
    return np.array([price[group] for group in groups], dtype=np.float64)


def unit_cost(costs: pl.DataFrame, item: str, group: str | None) -> float | None:
    """Return the price of an item for a group: its own, else the one for all, else None."""
    rows = costs.filter(pl.col("item") == item)
    for wanted in (
        pl.col("model_group").eq_missing(pl.lit(group)),
        pl.col("model_group").is_null(),
    ):
        found = rows.filter(wanted)
        if found.height:
            return float(found["unit_cost"][0])
    return None
