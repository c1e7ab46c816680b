"""What mishaps add to a season: days out of tolerance that no plan can foresee.

A plan knows how meters age. Knocks, wrong settings, wrong entries and slopes changed without a note
come on top, as often as in the team's own records, each for as many days as one of them. They may
come together (one crash hits three bikes, a set misleads a day's sessions), and seasons may differ:
a season's rate is the team's times a gamma factor of mean 1. The team's rate and both are weighed
by how the recorded years went.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from models.budget.cost_items import money_interval
from models.budget.documents import DaysWithMishaps
from models.metrology import DAYS_A_YEAR, Array
from models.season import PlanDocument

DRAWS = 4000
PRIOR_COUNT, PRIOR_YEARS = 0.5, 10.0
"""Half a mishap, and the meter-years that it takes, before there are records."""
UNLIKE = (1e6, 1.0)
"""Shapes of that factor: seasons alike, or with rates that differ by 100 %."""
TOGETHER = (1.0, 4.0)
"""Mishaps that come at once on the average: one crash hits three bikes, a set misleads a day's
sessions."""
QUARTERS = 4  # of a year: mishaps of one occasion mostly begin in the same one
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
        return float(p.sum(axis=(0, 1)) @ rates)

    def draws(self, meters: int, years: float, rng: np.random.Generator) -> Array:
        """Return draws of the days that mishaps cost so many meters in some years [DRAWS]."""
        rates, p = self.likely()
        unlike, together, rate = np.unravel_index(rng.choice(p.size, DRAWS, p=p.ravel()), p.shape)
        expected = rates[rate] * meters * years
        shape = _shape(np.array(UNLIKE)[unlike], np.array(TOGETHER)[together], expected)
        counts = rng.poisson(rng.gamma(shape, expected / shape))
        season = np.repeat(np.arange(DRAWS), counts)
        known = np.concatenate([self.days, [0.0]])
        one = rng.integers(0, known.size, season.size)
        another = rng.uniform(0, USUAL_DAYS, season.size)
        lasted = np.where(one < self.days.size, known[one], another)
        lasted = np.minimum(lasted, years * DAYS_A_YEAR)
        return np.asarray(np.bincount(season, weights=lasted, minlength=DRAWS), dtype=np.float64)

    def likely(self) -> tuple[Array, Array]:
        """Return rates [R] a meter-year, and how likely each is [UNLIKE, TOGETHER, R].

        The years back from today hold negative binomial counts; how a year's mishaps lie over its
        quarters says whether they come together. Before the records the rate is gamma.
        """
        from scipy.stats import nbinom

        rates = (self.days.size + PRIOR_COUNT) / (self.years + PRIOR_YEARS) * SPREAD
        unlike, together = np.array(UNLIKE)[:, None, None], np.array(TOGETHER)[:, None]
        log_p = np.zeros((len(UNLIKE), len(TOGETHER), rates.size))
        log_p += PRIOR_COUNT * np.log(rates) - PRIOR_YEARS * rates
        for counts, share in self._quarters():
            expected = rates * self.years * share.sum()
            shape = _shape(unlike, together, expected)
            log_p += nbinom.logpmf(counts.sum(), shape, shape / (shape + expected))
            usual = (self.days.size + PRIOR_COUNT) * share
            log_p += _over_quarters(counts, usual, together)
        p = np.exp(log_p - log_p.max())
        return rates, p / p.sum()

    def _quarters(self) -> Iterator[tuple[Array, Array]]:
        """Yield of each year back the mishaps of its quarters, and their shares of the records."""
        n = math.ceil(self.recorded * QUARTERS)
        length = np.minimum(self.recorded - np.arange(n) / QUARTERS, 1 / QUARTERS)
        quarter = np.minimum((self.ago * QUARTERS).astype(np.int64), n - 1)
        counts = np.bincount(quarter, minlength=n).astype(np.float64)
        for first in range(0, n, QUARTERS):
            year = slice(first, first + QUARTERS)
            yield counts[year], length[year] / self.recorded


def _shape(unlike: Array, together: Array, expected: Array) -> Array:
    """Return the shape of a negative binomial count: seasons unlike, and mishaps that come at once.

    The variance is the mean times 2s − 1, s the mean of a geometric number at once, and the mean
    squared over the factor's shape.
    """
    return 1 / (1 / unlike + 2 * (together - 1) / expected)


def _over_quarters(counts: Array, usual: Array, together: Array) -> Array:
    """Return the log likelihood of a year's counts by quarter, given their sum [TOGETHER, 1].

    Dirichlet-multinomial: negative binomial counts of one dispersion, given their sum; usual:
    how many a quarter holds by all the records, so that the rate is told by the sums alone.
    """
    from scipy.special import gammaln

    alpha = usual / np.maximum(2 * (together - 1), 1e-6)
    each = gammaln(counts + alpha) - gammaln(alpha)
    whole = alpha.sum(axis=1)
    log_p = each.sum(axis=1) + gammaln(whole) - gammaln(whole + counts.sum())
    return np.asarray(log_p[:, None])


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
