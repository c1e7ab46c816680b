"""State each kind of mishap's prior odds, and how much of it the estimates carry.

An alarm's limit follows from the budget of false alarms; what the estimates make of it follows
from its odds. An effect that is probable with p enters the model with the prior variance
p / (1 − p) over its information, at which the estimates shift by p times the whole effect (as
averaging over both possibilities would), up to the wide prior of a certain effect.
"""

from dataclasses import dataclass

import numpy as np

from models.fleet.design import METER, SEASONS, Effect
from models.metrology import DAYS_A_YEAR, Array


@dataclass(frozen=True)
class Odds:
    """Prior odds and sizes of what may have happened; sizes 100·ln.

    steps_per_year         steps of a meter with nothing recorded
    shared_steps_per_year  of a reference or mass set
    entry, outlier         wrong entries a session, outliers a comparison
    offset, bend, season   a mass set off its statement; a group's drift changing; what a group
                           shows following the year
    step_sd, outlier_sd    prior sd of a step or entry, and of an outlier
    offset_sd, bend_sd     of an offset, and of a change of drift (a year)
    season_sd              of a yearly swing: 0.02 % a degree (what makers' compensation may leave)
                           over the 18 °C between a summer's and a winter's day
    bench_step_sd          of a mass set's step at least; three standard uncertainties if more
    """

    steps_per_year: float = 0.08
    shared_steps_per_year: float = 0.08
    entry: float = 0.01
    outlier: float = 0.02
    offset: float = 0.02
    bend: float = 0.003
    season: float = 0.05
    step_sd: float = 2.0
    outlier_sd: float = 5.0
    offset_sd: float = 1.0
    bend_sd: float = 1.0
    season_sd: float = 0.36
    bench_step_sd: float = 0.3

    def of(self, effect: Effect, stated: float | None = None) -> tuple[float, float]:
        """Return prior odds and prior sd of an accepted effect.

        stated: standard uncertainty of the mass set that it is of
        """
        if effect.kind == "step":
            own = effect.device_kind == METER
            rate = self.steps_per_year if own else self.shared_steps_per_year
            sd = self.step_sd if stated is None else max(self.bench_step_sd, 3 * stated)
            return rate * max(effect.at - effect.since, _SHORTEST_GAP), sd
        return {
            "entry": (self.entry, self.step_sd),
            "offset": (self.offset, self.offset_sd),
            "bend": (self.bend, self.bend_sd),
            **dict.fromkeys(SEASONS, (self.season, self.season_sd)),
        }[effect.kind]


ODDS = Odds()
_SHORTEST_GAP = 2 / DAYS_A_YEAR


def step_odds(gap: Array, odds: Odds) -> Array:
    """Return the prior odds of a meter's step between observations `gap` years apart."""
    result: Array = odds.steps_per_year * np.maximum(gap, _SHORTEST_GAP)
    return result


def log_bayes_factor(z2: Array, info: Array, prior_sd: Array | float) -> Array:
    """Return the log Bayes factor of an effect N(0, prior_sd²) against none.

    z2: its squared statistic; info: its Fisher information.
    """
    gain = prior_sd**2 * info
    factor: Array = 0.5 * (z2 * gain / (1 + gain) - np.log1p(gain))
    return factor


def carried_sd(log_odds: float, sd: float, widest: float) -> float:
    """Return the prior sd at which the estimates carry an effect of these log odds and sd."""
    return float(min(sd * np.exp(min(log_odds, 60.0) / 2), widest))


def effect_log_odds(
    effect: Effect, size: float, sd: float, odds: Odds, *, stated: float | None = None
) -> float:
    """Return the log posterior odds of an effect of this size and sd; stated: see `Odds.of`."""
    prior, prior_sd = odds.of(effect, stated)
    factor = log_bayes_factor(np.array((size / sd) ** 2), np.array(1 / sd**2), prior_sd)
    return float(factor) + float(np.log(prior))
