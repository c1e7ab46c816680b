"""How often the team's own meters got a battery or were serviced: what a season to come will hold.

Rates are counts over the meter-years in which they would have been recorded. A rate's uncertainty
is its gamma posterior; a season's count around it is Poisson, the widest that counts of
independent meters are.
"""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from ingest.schema import confirmed
from models.metrology import DAYS_A_YEAR, Array
from models.records import Records

DRAWS = 4000
PRIOR_COUNT, PRIOR_SWAP_YEARS, PRIOR_SERVICE_YEARS = 0.5, 0.4, 25.0
"""Half an event, and the meter-years that it usually takes: what is known before there are data."""


@dataclass(frozen=True)
class Rate:
    """Events of one kind in the records, and the meter-years in which they would be there."""

    count: int
    years: float

    def draws(self, prior_years: float, rng: np.random.Generator) -> Array:
        """Return draws of the rate a meter and year [DRAWS]."""
        shape, years = self.count + PRIOR_COUNT, self.years + prior_years
        return rng.gamma(shape, 1 / years, DRAWS)


def recorded_from(found: Records) -> date:
    """Return the day from which on the records tell of events: their first session or event."""
    firsts = [found.sessions["measured_at"].dt.date().min(), found.events["date"].min()]
    return min((day for day in firsts if isinstance(day, date)), default=found.as_of)


def swap_rates(found: Records) -> dict[str, Rate]:
    """Return the battery swaps of each group of meters, those that are gone included."""
    swaps = _own(found).filter(pl.col("event") == "battery_swap")
    counted = dict(swaps.group_by("meter_id").len().iter_rows())
    years = meter_years(found)
    groups: dict[str, list[str]] = {}
    for meter, group in found.meters.select("meter_id", "group").iter_rows():
        groups.setdefault(group, []).append(meter)
    return {
        group: Rate(sum(counted.get(m, 0) for m in meters), sum(years[m] for m in meters))
        for group, meters in groups.items()
    }


def services(found: Records) -> tuple[Rate, Array]:
    """Return events of meters that cost money beside batteries, and what each of them cost [n]."""
    paid = _own(found).filter((pl.col("event") != "battery_swap") & (pl.col("cost") > 0))
    return Rate(paid.height, sum(meter_years(found).values())), paid["cost"].to_numpy()


def meter_years(found: Records) -> dict[str, float]:
    """Return the years in which each meter's events would be in the records."""
    start = pl.max_horizontal("in_service_on", pl.lit(recorded_from(found)))
    end = pl.min_horizontal(pl.col("retired_date").fill_null(found.as_of), pl.lit(found.as_of))
    years = (end - start).dt.total_days().clip(0) / DAYS_A_YEAR
    return dict(found.meters.select("meter_id", years.alias("years")).iter_rows())


def _own(found: Records) -> pl.DataFrame:
    return found.events.filter(pl.col("meter_id").is_not_null() & confirmed())


def swaps_to_come(
    found: Records, here: pl.DataFrame, years: Array, rng: np.random.Generator
) -> Array:
    """Return draws of each meter's battery swaps in some years ahead [M, DRAWS]. years [M]."""
    counts = np.zeros((here.height, DRAWS))
    groups = here["group"].to_numpy()
    for group, rate in swap_rates(found).items():
        mine = np.flatnonzero(groups == group)
        expected = rate.draws(PRIOR_SWAP_YEARS, rng) * years[mine, None]
        counts[mine] = rng.poisson(expected)
    return counts


def services_to_come(
    found: Records, years: Array, new_price: Array, rng: np.random.Generator
) -> Array:
    """Return draws of the money that services cost each meter in some years ahead [M, DRAWS].

    All meters share the rate. A service costs what one in the records did or, as if one more were
    known, anything up to the price of a new meter, beyond which nobody has one serviced.

    In   years, new_price [M]
    """
    rate, paid = services(found)
    if not paid.size:
        return np.zeros((years.size, 1))
    counts = rng.poisson(rate.draws(PRIOR_SERVICE_YEARS, rng) * years[:, None])
    money = np.zeros(counts.shape)
    for left in range(int(counts.max())):
        known = rng.random(counts.shape) < paid.size / (paid.size + 1)
        price = np.where(known, rng.choice(paid, counts.shape), rng.random(counts.shape))
        money += (counts > left) * np.where(known, price, price * new_price[:, None])
    return money
