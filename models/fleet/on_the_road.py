"""Put what rides show and the bench does not on top of the gain errors, all jointly.

An effect that comparisons have shown is in the model, with its covariance: a shared effect, or a
part of the block that alone carries it. One that none has shown stands at what is usual: riders as
they differ among each other, a day's balance, an oval ring, a chain.
"""

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from models.fleet.design import KINDS_OF_RIDES, METER, RIDER, FleetSettings, RideEffects, stated_sds
from models.fleet.inference import Posterior, Prediction, State, Targets
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
    state = posterior.state
    codes = {name: k for k, name in enumerate(zip(effects.kinds, effects.names, strict=True))}
    columns = state.design.layout.ride_effect_columns
    p = posterior.predict(targets)
    rows = np.zeros((len(p.mean), state.design.n_shared))
    rows[:, p.columns] = p.G
    apart: dict[tuple[str, object], list[int]] = {}
    own: dict[int, list[int]] = {}
    mean = p.mean.copy()
    for i, those in enumerate(carried):
        for kind, name in those:
            code = codes.get((kind, name or ""))
            if code is None:
                apart.setdefault((kind, i if name is None else name), []).append(i)
            elif effects.own[code]:
                own.setdefault(code, []).append(i)
            else:
                rows[i, columns[code]] += 1.0
                mean[i] += state.mean[columns[code]]
    beside = _own_of_blocks(posterior, effects, targets, own, mean=mean, rows=rows)
    covariance = _covariance(posterior, p, rows) + beside
    for (kind, _), at in apart.items():
        usual, sd = _usual(posterior, kind)
        mean[at] += usual
        covariance[np.ix_(at, at)] += sd**2
    return mean, covariance


def effect_moments(state: State) -> tuple[Array, Array]:
    """Return mean and sd of every ride effect, [effects], 100·ln."""
    effects, columns = state.design.obs.ride_effects, state.design.layout.ride_effect_columns
    n, prior = len(effects.names), _prior_variances(state, effects)
    hit, told = np.zeros(n), np.zeros(n)
    for kind in KINDS_OF_RIDES:
        code, sign = effects.own_of(kind, len(state.design.obs))
        for batch, block in zip(state.design.batches, state.blocks, strict=True):
            c = np.where(batch.mask > 0, code[batch.rows], -1)
            if (carries := c >= 0).any():
                z = sign[batch.rows] * carries
                same = (c[:, :, None] == c[:, None, :]) * block.P
                zPz = z * np.einsum("bij,bj->bi", same, z)
                hit += np.bincount(c[carries], (z * block.alpha)[carries], n)
                told += np.bincount(c[carries], zPz[carries], n)
    own = effects.own
    mean = np.where(own, prior * hit, state.mean[columns] if n else 0.0)
    variance = np.where(own, prior - prior**2 * told, np.diag(state.C)[columns] if n else 0.0)
    return mean, np.sqrt(np.maximum(variance, 0.0))


def _prior_variances(state: State, effects: RideEffects) -> Array:
    """Return the prior variance of every ride effect, [effects]."""
    sds = stated_sds(state.design.layout.settings) | {RIDER: state.hyper.fleet_sd(RIDER)}
    return np.array([sds[kind] ** 2 for kind in effects.kinds], dtype=np.float64)


def _own_of_blocks(
    posterior: Posterior,
    effects: RideEffects,
    targets: Targets,
    own: dict[int, list[int]],
    *,
    mean: Array,
    rows: Array,
) -> Array:
    """Add effects that are one block's own to mean and rows (in place).

    In   own: the targets that carry each, by its place among the effects
    Out  what they add to the covariance given the shared effects, [n, n]
    """
    state, prior = posterior.state, _prior_variances(posterior.state, effects)
    added = np.zeros((len(mean), len(mean)))
    for meter, codes in _by_owner(state, effects, own).items():
        where, b = state.design.place[meter]
        batch, block = state.design.batches[where], state.blocks[where]
        first = int(np.searchsorted(state.design.obs.owner, meter))
        k = np.zeros((len(mean), batch.mask.shape[1]))
        for code in codes:
            at, carriers = own[code], effects.code == code
            k[np.ix_(at, effects.row[carriers] - first)] += prior[code] * effects.sign[carriers]
            added[np.ix_(at, at)] += prior[code]
        course = np.zeros_like(k)
        mine = targets.rows(METER)
        mine = mine[targets.device[mine] == meter]
        if len(mine) and meter not in state.design.layout.courses:
            course[mine] = posterior.with_observations(meter, targets.t[mine])
        kV = k @ block.Vinv[b]
        crossed = kV @ course.T
        added -= kV @ k.T + crossed + crossed.T
        mean += k @ block.alpha[b]
        real = batch.columns[b] < state.design.n_shared
        rows[:, batch.columns[b][real]] -= (k @ block.VinvA[b])[:, real]
    return added


def _by_owner(state: State, effects: RideEffects, own: Iterable[int]) -> dict[int, list[int]]:
    """Return the effects by the meter in whose block they are."""
    owners: dict[int, list[int]] = {}
    for code in own:
        row = effects.row[np.flatnonzero(effects.code == code)[0]]
        owners.setdefault(int(state.design.obs.owner[row]), []).append(code)
    return owners


def _covariance(posterior: Posterior, p: Prediction, rows: Array) -> Array:
    met = np.flatnonzero(rows.any(axis=0))
    covariance: Array = rows[:, met] @ posterior.state.C[np.ix_(met, met)] @ rows[:, met].T
    for at, block in p.own:
        covariance[np.ix_(at, at)] += block
    J = posterior.with_left_open(p.J, np.diag(covariance))
    return covariance + J @ posterior.unsure @ J.T


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
