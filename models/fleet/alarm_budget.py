"""Shares the allowed false alarms out among the kinds of alarm, and sets their limits."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.fleet.arrays import Flags
from models.fleet.scan_meters import Favours, View
from models.fleet.scan_shared import Scan
from models.fleet.thresholds import Trials

_SHARES = {"meter": 0.60, "step": 0.05, "offset": 0.02, "bend": 0.03, "noise": 0.10}
"""Of the budget; what is left over is for charts and zero offsets."""
_SHORTEST = 0.5


@dataclass(frozen=True)
class Budget:
    """Expected false alarms over the whole history, by kind of alarm."""

    meter: float
    step: float
    offset: float
    bend: float
    noise: float


def budget_for(per_season: float, years: float) -> Budget:
    """The budget of a history of so many years, at so many false alarms in 365 days."""
    total = per_season * max(years, _SHORTEST) * 365.25 / 365
    return Budget(**{kind: share * total for kind, share in _SHARES.items()})


def step_limit(budget: Budget, found: Sequence[View], favours: Favours, is_bench: Flags) -> float:
    """Limit of |z| for steps and wrong entries of meters."""
    trials = Trials()
    for view in found:
        trials.add_scan(view.rho[view.pairs], float((view.mask.sum(axis=1) > 1).sum()))
    trials.add_singles(favours.step[favours.step > 0])
    near = round(int(is_bench.sum()) * favours.slip_share)
    trials.add_singles(np.full(near, favours.slip_bonus))
    trials.add_singles(np.zeros(int(is_bench.sum()) - near))
    return trials.limit(budget.meter)


def shared_limit(budget: Budget, scans: Sequence[Scan]) -> dict[str, float]:
    """Limits of |z| for steps of references and mass sets, their offsets, groups' bends."""
    limits = {}
    for kind in ("step", "offset", "bend"):
        trials = Trials()
        for scan in scans:
            if scan.kind == kind:
                trials.add_scan(scan.rho)
        limits[kind] = trials.limit(getattr(budget, kind))
    return limits
