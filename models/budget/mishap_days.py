"""What mishaps add to a season: days out of tolerance that no plan can foresee.

A plan knows how meters age. Knocks, wrong settings, wrong entries and slopes changed without a note
come on top, as often as in the team's own records, each for as many days as one of them. A rate's
uncertainty is its gamma posterior. Mishaps may come in clusters (one crash hits three bikes): a
season's rate is the team's times a gamma factor of mean 1, and how far seasons differ is weighed by
how the recorded ones did.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import nbinom

from models.budget.cost_items import money_interval
from models.budget.documents import DaysWithMishaps
from models.metrology import DAYS_A_YEAR, Array
from models.season import PlanDocument

DRAWS = 4000
PRIOR_COUNT, PRIOR_YEARS = 0.5, 10.0
"""Half a mishap, and the meter-years that it takes, before there are records."""
UNLIKE = (1e6, 4.0, 2.0, 1.0)
"""Shapes of that factor: seasons alike, or with rates that differ by 50, 70 or 100 %."""
USUAL_DAYS = 180.0
"""One more mishap than are known may have lasted any time up to this: a bench visit a half-year."""


@dataclass(frozen=True)
class OwnMishaps:
    """What happened to a team's own meters.

    years: meter-years of records; recorded: years that the records reach back; days [n] ridden out
    of tolerance for each of n mishaps; ago [n] years since each began
    """

    years: float = 0.0
    recorded: float = 0.0
    days: Array = field(default_factory=lambda: np.zeros(0))
    ago: Array = field(default_factory=lambda: np.zeros(0))

    def rate(self) -> float:
        """Return how many there are in a meter-year."""
        return (self.days.size + PRIOR_COUNT) / (self.years + PRIOR_YEARS)

    def draws(self, meters: int, years: float, rng: np.random.Generator) -> Array:
        """Return draws of the days that mishaps cost so many meters in some years [DRAWS]."""
        rates = rng.gamma(self.days.size + PRIOR_COUNT, 1 / (self.years + PRIOR_YEARS), DRAWS)
        shape = rng.choice(UNLIKE, DRAWS, p=self.unlike())
        counts = rng.poisson(rates * rng.gamma(shape, 1 / shape) * meters * years)
        season = np.repeat(np.arange(DRAWS), counts)
        known = np.concatenate([self.days, [0.0]])
        which = rng.integers(0, known.size, season.size)
        another = rng.uniform(0, USUAL_DAYS, season.size)
        lasted = np.where(which < self.days.size, known[which], another)
        lasted = np.minimum(lasted, years * DAYS_A_YEAR)
        return np.asarray(np.bincount(season, weights=lasted, minlength=DRAWS), dtype=np.float64)

    def unlike(self) -> Array:
        """Return how likely each of UNLIKE is: the years back from today are negative binomial."""
        length = np.minimum(self.recorded - np.arange(math.ceil(self.recorded)), 1.0)
        if not length.size:
            return np.full(len(UNLIKE), 1 / len(UNLIKE))
        years = np.minimum(self.ago.astype(np.int64), length.size - 1)
        counts = np.bincount(years, minlength=length.size)
        expected = self.rate() * self.years * length / self.recorded
        shape = np.array(UNLIKE)[:, None]
        log_p = np.asarray(nbinom.logpmf(counts, shape, shape / (shape + expected))).sum(axis=1)
        p = np.exp(log_p - log_p.max())
        return np.asarray(p / p.sum())


def days_with_mishaps(
    plan: PlanDocument, own: OwnMishaps, years: float, rng: np.random.Generator
) -> DaysWithMishaps:
    """Return the days out of tolerance that a plan leaves, mishaps as they have been among them.

    years: that the plan reaches ahead
    """
    meters, out = len(plan["shares"]), plan["days_out_of_tolerance"]
    planned, sd = out["plan"], out["plan_sd"]
    added, aged = own.draws(meters, years, rng), np.full(DRAWS, planned)
    if planned > 0 and sd > 0:
        aged = rng.gamma((planned / sd) ** 2, sd**2 / planned, DRAWS)
    return {
        "days": planned + float(added.mean()),
        "interval90": money_interval(aged + added),
        "by_mishaps": float(added.mean()),
        "mishaps": own.rate() * meters * years,
    }
