"""Tell whether anything but a mass set itself shows that it changed.

All found values rest on the mass sets. Where all sessions are on one, a step of the set and a
change that all meters share look the same, so the step is said and proposed, not carried into the
estimates: until sessions on another set show the difference, or the set was weighed again.
"""

import numpy as np
import polars as pl
from scipy.special import expit

from models.fleet.alarms.prior_odds import ODDS, effect_log_odds
from models.fleet.design import BENCH_EVENT_SD, Effect, FleetData, event_instants
from models.fleet.inference import EffectEstimate, LeftOpen, State, effect_information
from models.metrology import DAYS_A_YEAR, Array

_NEAR_YEARS = 60 / DAYS_A_YEAR
_CLEAR = 3.0
"""How many sds a set must have moved against the other sets."""


def is_supported(state: State, effect: Effect, data: FleetData) -> bool:
    """Return whether a change of a mass set shows against other sets, or a record tells of it.

    state: without the effect. Beside a change that all sets share, as large as it likes, the set's
    own must still be clear and of the same sign.
    """
    if _weighed_since(data, effect):
        return True
    f = _direction(state, effect)
    every = _direction(state, effect, all_sets=True)
    M, b = effect_information(state, np.stack([f, every], axis=1))
    if M[1, 1] <= 0:
        return False
    info, score = M[0, 0] - M[0, 1] ** 2 / M[1, 1], b[0] - M[0, 1] * b[1] / M[1, 1]
    clear = score**2 > _CLEAR**2 * max(info, 0.0) and info > 1e-6 * M[0, 0]
    return bool(clear and score * b[0] > 0)


def estimate_proposals(state: State, effects: list[Effect]) -> dict[Effect, EffectEstimate]:
    """Return the size of each proposed change, as the data show it beside the model without it."""
    found = {}
    for effect in effects:
        M, b = effect_information(state, _direction(state, effect)[:, None])
        if effect.proposed and M[0, 0] > 0:
            found[effect] = EffectEstimate(b[0] / M[0, 0], float(1 / np.sqrt(M[0, 0])))
    return found


def left_open(state: State, estimates: dict[Effect, EffectEstimate]) -> list[LeftOpen]:
    """Return the proposed changes as what the estimates leave open: all truth may be off by them.

    A change of probability p around an estimate that leaves it out has the variance p times its
    expected square.
    """
    benches = state.design.layout.devices.benches
    return [
        LeftOpen(
            benches.index(effect.device),
            effect.at if effect.kind == "step" else -np.inf,
            _direction(state, effect),
            _probability(state, effect, found) * (found.size**2 + found.sd**2),
        )
        for effect, found in estimates.items()
    ]


def _probability(state: State, effect: Effect, found: EffectEstimate) -> float:
    """Return how likely the set changed, rather than not at all."""
    devices = state.design.layout.devices
    stated = float(devices.bench_u[devices.benches.index(effect.device)])
    return float(expit(effect_log_odds(effect, found.size, found.sd, ODDS, stated=stated)))


def _direction(state: State, effect: Effect, *, all_sets: bool = False) -> Array:
    """Return what one unit of a mass set's (or every set's) change adds to each observation."""
    obs, benches = state.design.obs, state.design.layout.devices.benches
    mine = obs.is_bench if all_sets else obs.bench == benches.index(effect.device)
    late = obs.t >= effect.at if effect.kind == "step" else True
    return (mine & late).astype(np.float64)


def _weighed_since(data: FleetData, effect: Effect) -> bool:
    """Return whether a record tells of a change: one at the time, or a weighing that found one."""
    events = data.events.filter(
        (pl.col("bench_id") == effect.device) & pl.col("event").is_in(list(BENCH_EVENT_SD))
    )
    at = event_instants(events)
    then = (at >= effect.since - _NEAR_YEARS) & (at <= effect.at + _NEAR_YEARS)
    found = events["size_pct"].fill_null(0.0).to_numpy() != 0.0
    return bool((then | (found & (at >= effect.since))).any())
