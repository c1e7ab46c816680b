"""Shares the allowed false alarms out among the kinds of alarm, and sets their limits."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.fleet.scan_meters import Favours, MeterBlock, step_statistics
from models.fleet.scan_shared import Scan
from models.fleet.thresholds import Trials

_SHARES = {"meter": 0.55, "step": 0.10, "offset": 0.05, "bend": 0.05, "noise": 0.10}
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


def step_limit(budget: Budget, blocks: Sequence[MeterBlock], favours: Favours) -> float:
    """Limit of |z| for steps and wrong entries of meters."""
    trials = Trials()
    for block in blocks:
        _, _, rho = step_statistics(block.P[None], block.alpha[None])
        favour = favours.step[block.rows[1:]]
        trials.add_scan(rho[0][1:])
        if (favour > 0).any():
            trials.add_singles(favour[favour > 0])
        n_bench = int(block.is_bench.sum())
        if n_bench:
            near = favours.slip_share
            trials.add_singles(np.full(max(round(n_bench * near), 1), favours.slip_bonus))
            trials.add_singles(np.zeros(n_bench - round(n_bench * near)))
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
