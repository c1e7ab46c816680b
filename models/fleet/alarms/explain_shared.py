"""Explain what many meters share, before any meter is looked at: steps, offsets, bends, seasons.

How each group ages is weighed before all of it, and again once a mass set or a group was found to
have changed: until then such a change looks like ageing that bends. What returns every year is
weighed first: a season that nobody wrote temperatures for is no row of steps. A mass set's own
change is carried into the estimates only where something else tells of it (see
models.fleet.alarms.proposals).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from models.fleet.alarms.alarm_budget import shared_limit
from models.fleet.alarms.prior_odds import ODDS, carried_sd, effect_log_odds
from models.fleet.alarms.proposals import is_supported
from models.fleet.alarms.scan_shared import Scan, shared_scans
from models.fleet.alarms.search_state import Search, is_own
from models.fleet.design import BENCH, GROUP, SEASONS, SHAPE, Design, Effect
from models.fleet.inference import State, best_shapes, estimate_effects
from models.metrology import DAYS_A_YEAR, Mask

_MOST_SHARED = 6
_NEAR_YEARS = 60 / DAYS_A_YEAR
_NEAR_TOP = 0.7
"""Shared effects are accepted together if their |z| is above so much of the largest."""
_KEPT = 0.95
"""An accepted effect stays while its |z| is above so much of the limit."""
_NEARLY_A_LINE = 0.1  # shape a year: the hyperparameters found for the line serve as they are
_Candidate = tuple[float, Scan, int]


def shape_groups(search: Search, state: State) -> State:
    """Let each group's ageing be a line, settle or speed up, by evidence.

    state: of the search as it is. Shapes found before are weighed anew, beside what came since.
    """
    rest = [e for e in search.effects if e.kind != SHAPE]
    if len(rest) < len(search.effects):
        search.effects = rest
        state = search.estimate(most=3).state
    adjust, modelled = search.adjustments(), search.modelled()

    def design_with(shapes: Sequence[Effect], meters: Mask) -> Design:
        effects = [*modelled, *shapes]
        return search.prepared.design(effects, adjust, search.parts, only=meters)

    found = best_shapes(state, design_with)
    if not found:
        return state
    search.effects = [*rest, *found]
    nearly_lines = all(abs(e.factor) < _NEARLY_A_LINE for e in found)
    return search.evaluate() if nearly_lines else search.estimate(most=3).state


def explain_shared(search: Search, state: State) -> State:
    """Accept seasons, steps of references and mass sets, bends of groups, the largest first."""
    data = search.prepared.data
    for _ in range(_MOST_SHARED):
        best = _best_shared(search, [s for s in shared_scans(state) if len(s.at)])
        for _, scan, k in best:
            device = search.names[scan.device_kind][scan.device]
            effect = Effect(
                scan.kind, scan.device_kind, device, float(scan.at[k]), float(scan.since[k])
            )
            carried = _carried(search, effect, float(scan.size[k]), float(scan.sd[k]))
            if effect.device_kind == BENCH and not is_supported(state, effect, data):
                carried = replace(carried, proposed=True)
            search.effects.append(carried)
        if not best:
            break
        state = search.evaluate()
        if any(scan.device_kind in (BENCH, GROUP) for _, scan, _ in best):
            state = shape_groups(search, state)
    return state


def _best_shared(search: Search, scans: list[Scan]) -> list[_Candidate]:
    """Return the best supported candidate, and those of other devices that come near it.

    The groups' seasons count together, and nothing else is accepted beside them.
    """
    limits = shared_limit(search.budget, scans)
    search.limits |= limits
    found = [c for scan in scans if (c := _best_of(search, scan, limits[scan.kind]))]
    seasons = [c for c in found if c[1].kind in SEASONS]
    others = [c for c in found if c[1].kind not in SEASONS]
    top = max((z for z, _, _ in others), default=0.0)
    if seasons and np.hypot.reduce([z for z, _, _ in seasons]) >= top:
        return seasons
    return [c for c in others if c[0] > _NEAR_TOP * top]


def _best_of(search: Search, scan: Scan, limit: float) -> _Candidate | None:
    """Return the best candidate of one scan with its |z|, if that is above the limit."""
    z = np.where(_explained(search, scan), 0.0, np.abs(scan.z))
    k = int(np.argmax(z))
    return (float(z[k]), scan, k) if z[k] > limit else None


def _explained(search: Search, scan: Scan) -> Mask:
    """Return which candidates an effect already accepted for the device accounts for."""
    names = search.names[scan.device_kind]
    near = np.zeros(len(scan.at), dtype=np.bool_)
    for e in search.effects:
        same = (e.kind, e.device_kind, e.device)
        if same == (scan.kind, scan.device_kind, names[scan.device]):
            reach = _NEAR_YEARS if e.kind == "step" else np.inf
            near |= np.abs(scan.at - e.at) <= reach
    return near


def _carried(search: Search, effect: Effect, size: float, sd: float) -> Effect:
    """Return the effect with the prior sd that its odds give it.

    What a mass set may do goes with how well its masses are stated.
    """
    devices, stated = search.prepared.devices, None
    if effect.device_kind == BENCH:
        stated = float(devices.bench_u[devices.benches.index(effect.device)])
    log_odds = effect_log_odds(effect, size, sd, ODDS, stated=stated)
    return replace(effect, sd=carried_sd(log_odds, sd, search.prepared.settings.step_sd))


def drop_unsupported(search: Search, state: State) -> None:
    """Leave out shared effects that no longer stand beside the others; weigh the rest again."""
    for effect, s in estimate_effects(state, search.effects).items():
        if is_own(search.prepared, effect):
            continue
        if s.z2 < (_KEPT * search.limits[effect.kind]) ** 2:
            search.effects.remove(effect)
        else:
            k = search.effects.index(effect)
            search.effects[k] = _carried(search, effect, s.size, s.sd)
