"""Share the allowed false alarms out among the kinds of alarm, and set their limits."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.fleet.alarms.scan_meters import OddsAdjustments, StepScans
from models.fleet.alarms.scan_shared import Scan
from models.fleet.alarms.thresholds import Trials, smallest_limit
from models.fleet.design import SEASONS
from models.fleet.inference import Mixture
from models.metrology import DAYS_A_YEAR

_SHARES = {
    "meter_step": 0.64,
    "entry": 0.24,
    "step": 0.02,
    "offset": 0.02,
    "bend": 0.02,
    "season": 0.02,
    "noise": 0.04,
}
"""Expected false alarms of each kind, of one allowed in all. Simulated fleets without any mishap
show about as many in all (see tests.benchmarks.fleet.wrong_worlds)."""
_SHORTEST = 0.5


@dataclass(frozen=True)
class Budget:
    """Expected false alarms over the whole history, by kind of alarm."""

    meter_step: float
    entry: float
    step: float
    offset: float
    bend: float
    season: float
    noise: float


def budget_for(per_season: float, years: float) -> Budget:
    """Return the budget of a history of some years, at so many false alarms in 365 days."""
    total = per_season * max(years, _SHORTEST) * DAYS_A_YEAR / 365
    return Budget(**{kind: share * total for kind, share in _SHARES.items()})


def step_limit(budget: Budget, scans: Sequence[StepScans], adjustments: OddsAdjustments) -> float:
    """Return the limit of |z| for steps of meters."""
    trials = Trials()
    for scan in scans:
        trials.add_scan(scan.rho, scan.n)
    trials.add_singles(adjustments.step[adjustments.step > 0])
    return trials.limit(budget.meter_step)


def entry_limit(
    budget: Budget,
    n_sessions: int,
    adjustments: OddsAdjustments,
    mixture: Mixture,
    *,
    noise_share: float,
) -> float:
    """Return the limit of |z| for wrong entries; noise with heavy tails raises it."""

    def expected(c: float) -> float:
        raised = np.sqrt(np.maximum(c**2 - np.array([0.0, adjustments.slip_bonus]), 0.0))
        far, near = mixture.tail(raised, noise_share)
        return n_sessions * float(
            (1 - adjustments.slip_share) * far + adjustments.slip_share * near
        )

    return smallest_limit(expected, budget.entry)


def shared_limit(budget: Budget, scans: Sequence[Scan]) -> dict[str, float]:
    """Return limits of |z| for steps of references and mass sets, offsets, bends and seasons.

    A season's z² at its best phase is χ² with two degrees of freedom.
    """
    limits = {}
    for kind in ("step", "offset", "bend"):
        trials = Trials()
        for scan in scans:
            if scan.kind == kind:
                trials.add_scan(scan.rho)
        limits[kind] = trials.limit(getattr(budget, kind))
    n_seasons = sum(scan.kind in SEASONS for scan in scans)
    season = smallest_limit(lambda c: n_seasons * float(np.exp(-(c**2) / 2)), budget.season)
    return limits | dict.fromkeys(SEASONS, season)
