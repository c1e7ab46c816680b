"""What mishaps add to a season: days out of tolerance that no plan can foresee.

A plan knows how meters age. Knocks, wrong settings, wrong entries and slopes changed without a note
come on top, as often as in the team's own records, each for as many days as one of them. Mishaps
may come in clusters (one crash hits three bikes): a season's rate is the team's times a gamma
factor of mean 1. The team's rate and how far seasons differ are weighed by how the recorded years
went.
"""

import math
from dataclasses import dataclass, field

import numpy as np

from models.budget.cost_items import money_interval
from models.budget.documents import DaysWithMishaps
from models.metrology import DAYS_A_YEAR, Array
from models.season import PlanDocument

DRAWS = 4000
PRIOR_COUNT, PRIOR_YEARS = 0.5, 10.0
"""Half a mishap, and the meter-years that it takes, before there are records."""
UNLIKE = (1e6, 4.0, 2.0)
"""Shapes of that factor: seasons alike, or with rates that differ by 50 or 70 %."""
SPREAD = np.geomspace(1 / 8, 8, 97)  # of rates about the mean that are looked at
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

    def likely_rate(self) -> float:
        """Return how many there are to be expected in a meter-year."""
        rates, p = self.likely()
        return float(rates @ p.sum(axis=0))

    def draws(self, meters: int, years: float, rng: np.random.Generator) -> Array:
        """Return draws of the days that mishaps cost so many meters in some years [DRAWS]."""
        rates, p = self.likely()
        which = rng.choice(p.size, DRAWS, p=p.ravel())
        shape, rate = np.array(UNLIKE)[which // rates.size], rates[which % rates.size]
        counts = rng.poisson(rate * rng.gamma(shape, 1 / shape) * meters * years)
        season = np.repeat(np.arange(DRAWS), counts)
        known = np.concatenate([self.days, [0.0]])
        one = rng.integers(0, known.size, season.size)
        another = rng.uniform(0, USUAL_DAYS, season.size)
        lasted = np.where(one < self.days.size, known[one], another)
        lasted = np.minimum(lasted, years * DAYS_A_YEAR)
        return np.asarray(np.bincount(season, weights=lasted, minlength=DRAWS), dtype=np.float64)

    def likely(self) -> tuple[Array, Array]:
        """Return rates [R] a meter-year, and how likely each is with each of UNLIKE [UNLIKE, R].

        The years back from today hold negative binomial counts; before them the rate is gamma.
        """
        from scipy.stats import nbinom

        rates = (self.days.size + PRIOR_COUNT) / (self.years + PRIOR_YEARS) * SPREAD
        length = np.minimum(self.recorded - np.arange(math.ceil(self.recorded)), 1.0)
        log_p = np.tile(PRIOR_COUNT * np.log(rates) - PRIOR_YEARS * rates, (len(UNLIKE), 1))
        if length.size:
            year = np.minimum(self.ago.astype(np.int64), length.size - 1)
            counts = np.bincount(year, minlength=length.size)
            expected = rates[:, None] * self.years * length / self.recorded
            shape = np.array(UNLIKE)[:, None, None]
            each = np.asarray(nbinom.logpmf(counts, shape, shape / (shape + expected)))
            log_p += each.sum(axis=2)
        p = np.exp(log_p - log_p.max())
        return rates, p / p.sum()


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
        "mishaps": own.likely_rate() * meters * years,
    }
