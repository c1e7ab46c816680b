"""Put what rides show and the bench does not on top of the gain errors, all jointly.

An effect that comparisons have shown is a shared effect of the model, with its covariance. One
that none has shown stands at what is usual: riders as they differ among each other, a day's
balance, an oval ring, a chain.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from models.fleet.design import FleetSettings, RideEffects
from models.fleet.inference import Posterior, Prediction, Targets
from models.metrology import Array

RoadEffect = tuple[str, str | None]
"""Kind and name of a ride effect; a name of None is nobody's known one, each time another."""

RIDERS_DIFFER: Final = 2.0
"""Sd between riders of 100·ln(2 · left share) where no comparison has told: one point of left
share, common practice in healthy riders."""


def joint_on_road(
    posterior: Posterior,
    effects: RideEffects,
    targets: Targets,
    carried: Sequence[Sequence[RoadEffect]],
) -> tuple[Array, Array]:
    """Return mean [n] and covariance [n, n] of what n targets show over the rider's true watts.

    In   carried: the effects that each target carries, n lists
    """
    known = _columns(posterior, effects)
    p = posterior.predict(targets)
    rows = np.zeros((len(p.mean), posterior.state.design.n_shared))
    rows[:, p.columns] = p.G
    apart: dict[tuple[str, object], list[int]] = {}
    mean = p.mean.copy()
    for i, own in enumerate(carried):
        for kind, name in own:
            column = known.get((kind, name))
            if column is None:
                apart.setdefault((kind, i if name is None else name), []).append(i)
            else:
                rows[i, column] += 1.0
                mean[i] += posterior.state.mean[column]
    covariance = _covariance(posterior, p, rows)
    for (kind, _), at in apart.items():
        usual, sd = _usual(posterior, kind)
        mean[at] += usual
        covariance[np.ix_(at, at)] += sd**2
    return mean, covariance


def _columns(posterior: Posterior, effects: RideEffects) -> dict[RoadEffect, int]:
    columns = posterior.state.design.layout.ride_effect_columns
    names = zip(effects.kinds, effects.names, strict=True)
    return dict(zip(names, columns.tolist(), strict=True))


def _covariance(posterior: Posterior, p: Prediction, rows: Array) -> Array:
    met = np.flatnonzero(rows.any(axis=0))
    covariance: Array = rows[:, met] @ posterior.state.C[np.ix_(met, met)] @ rows[:, met].T
    for at, block in p.own:
        covariance[np.ix_(at, at)] += block
    return covariance + p.J @ posterior.unsure @ p.J.T


def _usual(posterior: Posterior, kind: str) -> tuple[float, float]:
    """Return mean and sd of an effect that no comparison has shown, 100·ln."""
    settings: FleetSettings = posterior.state.design.layout.settings
    if kind == "rider":
        hyper = posterior.hyper
        learnt = bool(hyper.active[hyper.index("rider", -1)])
        return 0.0, hyper.fleet_sd("rider") if learnt else RIDERS_DIFFER
    return {
        "day": (0.0, settings.balance_sd),
        "ring": (0.0, settings.ring_sd),
        "drive": (settings.usual_drive, settings.usual_drive_sd),
    }[kind]
