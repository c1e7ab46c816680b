"""What happens to meters beside ageing: knocks, wrong settings and wrong entries at the bench.

They come as often as in a team's own records, and as large. A rate's uncertainty is its gamma
posterior, drawn for each simulated fleet.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from models.metrology import Array
from models.policies.meter_process import WEEK, ProcessParameters
from models.policies.simulation import Draws

Kind = Literal["knock", "setting", "entry"]
PRIOR_COUNT = 0.5
PRIOR_OVER: dict[Kind, float] = {"knock": 10.0, "setting": 20.0, "entry": 200.0}
"""Half a mishap, and the meter-years (of entries: sessions) it takes before there are records."""
USUAL_LN = 1.0  # sd of a size, 100·ln, while none is known


@dataclass(frozen=True)
class Mishap:
    """Mishaps of one kind in the records.

    over: meter-years in which they would be known, of entries bench sessions; sizes: changes of
    the gain error, of an entry the error of what was written down, 100·ln
    """

    kind: Kind
    count: int
    over: float
    sizes: Array

    def rates(self, fleets: int, rng: np.random.Generator) -> Array:
        """Return a rate drawn for each simulated fleet, a meter-year or a session [fleets]."""
        over = self.over + PRIOR_OVER[self.kind]
        return rng.gamma(self.count + PRIOR_COUNT, 1 / over, fleets)

    def rate(self) -> float:
        """Return the rate's mean, a meter-year or a session."""
        return (self.count + PRIOR_COUNT) / (self.over + PRIOR_OVER[self.kind])

    def variance(self) -> float:
        """Return the mean square of a size; one of the usual size counts with the known ones."""
        return float((np.sum(self.sizes**2) + USUAL_LN**2) / (self.sizes.size + 1))

    def draws(self, n: int, rng: np.random.Generator) -> Array:
        """Return sizes of n mishaps: as one known, or as usual; up or down."""
        usual = USUAL_LN * rng.standard_normal((n, 1))
        known = np.broadcast_to(np.abs(self.sizes), (n, self.sizes.size))
        every = np.concatenate([usual, known], axis=1)
        chosen = every[np.arange(n), rng.integers(0, every.shape[1], n)]
        return np.asarray(chosen * rng.choice([-1.0, 1.0], n))


def with_mishaps(
    draws: Draws, mishaps: Sequence[Mishap], fleets: int, rng: np.random.Generator
) -> Draws:
    """Return what happens to the meters of some fleets side by side, mishaps among it.

    A knock or a wrong setting moves the error until a session resets it; a wrong entry adds to
    what a session finds.
    """
    moves, noise = draws.moves.copy(), draws.bench_noise.copy()
    for mishap in mishaps:
        into = noise if mishap.kind == "entry" else moves
        once = 1.0 if mishap.kind == "entry" else WEEK
        chance = 1 - np.exp(-mishap.rates(fleets, rng) * once)
        each = np.repeat(chance, into.shape[1] // fleets)
        there = rng.random(into.shape) < each
        into[there] += mishap.draws(int(there.sum()), rng)
    return replace(draws, moves=moves, bench_noise=noise)


def expecting(assumed: ProcessParameters, mishaps: Sequence[Mishap]) -> ProcessParameters:
    """Return what a forecast assumes, with the knocks that it watches for as alarms do."""
    n = len(assumed)
    for knock in (mishap for mishap in mishaps if mishap.kind == "knock"):
        rate, size2 = np.full(n, knock.rate()), np.full(n, knock.variance())
        assumed = replace(assumed, knock_rate=rate, knock2=size2)
    return assumed
