"""Estimate each accepted effect beside all others, in the fitted fleet."""

from dataclasses import dataclass

import numpy as np

from models.fleet.design import METER, Effect
from models.fleet.inference.likelihood import State
from models.metrology import Array


@dataclass(frozen=True)
class EffectEstimate:
    """Size of an effect and its sd, 100·ln, by the data alone: its own prior is taken out."""

    size: float
    sd: float

    @property
    def z2(self) -> float:
        """Return (size / sd)²."""
        return (self.size / self.sd) ** 2 if self.sd > 0 else 0.0


def estimate_effects(state: State, effects: list[Effect]) -> dict[Effect, EffectEstimate]:
    """Return the estimate of every effect that has a size of its own (noise has none)."""
    result: dict[Effect, EffectEstimate] = {}
    for effect in effects:
        found = _estimate(state, effect, effect.sd**2)
        if found is not None:
            result[effect] = found
    return result


def _estimate(state: State, effect: Effect, prior2: float) -> EffectEstimate | None:
    columns = state.design.layout.effect_columns
    if effect in columns:
        c = columns[effect]
        return _without_prior(float(state.mean[c]), float(state.C[c, c]), prior2)
    if effect.device_kind != METER or effect.kind not in ("step", "entry"):
        return None
    meters = state.design.layout.devices.meters
    where, b = state.design.place[meters.index(effect.device)]
    if where < 0:
        return None
    batch, block = state.design.batches[where], state.blocks[where]
    f = _direction(state, batch.rows[b], batch.mask[b], effect)
    info, score = float(f @ block.P[b] @ f), float(f @ block.alpha[b])
    free = 1 - prior2 * info
    if info <= 0 or free <= 1e-9:
        return None
    return EffectEstimate(score / info, float(np.sqrt(free / info)))


def _direction(state: State, rows: Array, mask: Array, effect: Effect) -> Array:
    obs = state.design.obs
    if effect.kind == "step":
        late: Array = (obs.t[rows] >= effect.at) * mask
        return late
    hit = [obs.name[i] == effect.observation and bool(obs.is_bench[i]) for i in rows]
    single: Array = np.array(hit, dtype=np.float64) * mask
    return single


def _without_prior(mean: float, variance: float, prior2: float) -> EffectEstimate | None:
    """Return what the data alone say, from the posterior under N(0, prior2)."""
    info = 1 / variance - 1 / prior2
    if info <= 1e-9:
        return None
    return EffectEstimate(mean / variance / info, float(np.sqrt(1 / info)))
