"""What more or fewer visits buy: the days out of tolerance that each number of them leaves."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import gamma

from models.metrology import Array
from models.season.documents import VisitChoice
from models.season.plan_inputs import PlanInputs
from models.season.season_ask import SeasonAsk
from models.season.visit_program import Visits, choose_visits, choose_within

Weeks = tuple[int, ...]


@dataclass(frozen=True)
class Spread:
    """Mean and variance of days out of tolerance."""

    mean: float
    variance: float

    def __add__(self, other: "Spread") -> "Spread":
        return Spread(self.mean + other.mean, self.variance + other.variance)

    def interval90(self) -> list[float]:
        """Return the middle 90 % of a gamma distribution with this mean and variance."""
        if self.mean <= 0 or self.variance <= 0:
            return [self.mean, self.mean]
        shape = self.mean**2 / self.variance
        scale = self.variance / self.mean
        low, high = (float(gamma.ppf(q, shape, scale=scale)) for q in (0.05, 0.95))
        return [min(low, self.mean), max(high, self.mean)]


def days_out(inputs: PlanInputs, chosen: Sequence[Weeks]) -> Spread:
    """Return how many days meters are to be ridden out of tolerance, with the spread of the sum.

    A meter is as far off all the way from one visit to the next: if it is out in a week of a
    smaller risk, it is out in those of a greater one. Meters count as independent.
    """
    spread = Spread(0.0, 0.0)
    for meter, weeks in enumerate(chosen):
        risk, ridden = inputs.risk(meter, weeks), inputs.ridden[meter]
        for first, end in zip((0, *weeks), (*weeks, len(risk)), strict=True):
            spread += _spell(risk[first:end], ridden[first:end])
    return spread


def _spell(risk: Array, ridden: Array) -> Spread:
    mean = float((risk * ridden).sum())
    both = np.minimum(risk[:, None], risk[None, :])
    return Spread(mean, max(0.0, float(ridden @ both @ ridden) - mean**2))


def chosen_visits(inputs: PlanInputs, ask: SeasonAsk) -> Visits:
    """Return the visits that are asked for: of a number or a price, else those at least cost."""
    program = inputs.program
    if ask.visits is not None:
        return choose_within(program, ask.visits, np.ones_like(program.visit_cost))
    if ask.spend is not None:
        return choose_within(program, ask.spend, program.visit_cost)
    return choose_visits(program)


def visit_choices(
    inputs: PlanInputs,
    chosen: Visits,
    numbers: Mapping[str, int],
    *,
    away: Spread,
    risk_away: float,
) -> list[VisitChoice]:
    """Return what the chosen visits and other numbers of them buy, the fewest visits first.

    In   numbers: visits by what they are called; away: days out of meters that cannot come, and
         risk_away: what these are priced at
    """
    one = np.ones_like(inputs.program.visit_cost)
    rows = {"this plan": chosen}
    rows |= {name: choose_within(inputs.program, n, one) for name, n in numbers.items()}
    told = [_choice(inputs, name, visits, away) for name, visits in rows.items()]
    whole: list[VisitChoice] = [
        {**row, "asked": numbers.get(row["name"]), "risk": row["risk"] + risk_away} for row in told
    ]
    return sorted(whole, key=lambda row: row["visits"])


def _choice(inputs: PlanInputs, name: str, visits: Visits, away: Spread) -> VisitChoice:
    cash = float(sum(inputs.prices.visit[m] * len(w) for m, w in enumerate(visits.weeks)))
    days = days_out(inputs, visits.weeks) + away
    risk = sum(inputs.money_out(m, inputs.risk(m, weeks)) for m, weeks in enumerate(visits.weeks))
    return {
        "name": name,
        "asked": None,
        "visits": sum(map(len, visits.weeks)),
        "cash": cash,
        "days_out": days.mean,
        "interval90": days.interval90(),
        "risk": risk,
    }
