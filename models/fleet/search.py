"""Fits, weighs and explains in turn, until nothing new turns up.

Shared causes first: a trainer's or mass set's step is put into the model before any meter is
looked at, so that its meters are not blamed. Then each meter's own observations, then weights,
then the hyperparameters again.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from models.fleet.alarm_budget import Budget, shared_limit, step_limit
from models.fleet.arrays import Array, Flags
from models.fleet.blocks import Adjustments, Design
from models.fleet.effects import BENCH, GROUP, METER, REFERENCE, Effect
from models.fleet.estimate import Estimate, estimate
from models.fleet.evidence import Odds, carried_sd, effect_support
from models.fleet.favours import favours_of
from models.fleet.gaps import located_switches
from models.fleet.hyper import Hyper
from models.fleet.innovations import standardized_innovations
from models.fleet.likelihood import State, curvature, evaluate
from models.fleet.noise import noise_p_values
from models.fleet.prepare import Prepared, plain_adjustments
from models.fleet.scan_meters import (
    ENTRY,
    WILD,
    Explainer,
    Favours,
    Found,
    MeterBlock,
    views,
    worth_explaining,
)
from models.fleet.scan_shared import Scan, shared_scans
from models.fleet.support import supports
from models.fleet.weights import SCALES, left_out, mixture_weights

_ROUNDS = 4
_MOST_SHARED = 6
ODDS = Odds()
_NEAR_YEARS = 60 / 365.25
_KEPT = 0.95
"""An accepted effect stays while its |z| is above so much of the limit."""


@dataclass
class Search:
    """A fleet on its way to a fit: effects accepted so far, weights, hyperparameters."""

    prepared: Prepared
    hyper: Hyper
    budget: Budget
    effects: list[Effect] = field(default_factory=list)
    weight: Array = field(default_factory=lambda: np.ones(0))
    n_iter: int = 0
    limits: dict[str, float] = field(default_factory=dict)
    noise_p: dict[Effect, float] = field(default_factory=dict)
    _design: Design | None = None
    _built_with: tuple[tuple[Effect, float], ...] = ()

    def __post_init__(self) -> None:
        if not len(self.weight):
            self.weight = np.ones(len(self.prepared.obs))
        self.favours: Favours = favours_of(self.prepared)
        devices = self.prepared.devices
        self.names = {
            REFERENCE: devices.references,
            BENCH: devices.benches,
            METER: devices.meters,
            GROUP: devices.groups,
        }

    def design(self) -> Design:
        """The design with the effects and weights found so far."""
        adjust = adjustments(self.prepared, self.effects, self.weight)
        wanted = tuple((e, e.sd) for e in self.effects)
        if self._design is None or self._built_with != wanted:
            self._design = self.prepared.design(self.effects, adjust)
            self._built_with = wanted
        else:
            for batch in self._design.batches:
                batch.reweigh(adjust)
        return self._design

    def forget_design(self) -> None:
        """Build the design anew next time: the programmed slopes have changed."""
        self._design = None

    def evaluate(self) -> State:
        """The state at the current hyperparameters."""
        return evaluate(self.design(), self.hyper)

    def estimate(self, state: State | None = None, most: int = 0) -> Estimate:
        """Improve the hyperparameters, from the present state if it is at hand."""
        found = estimate(state or self.evaluate(), self.prepared.settings, most)
        self.hyper = found.hyper
        self.n_iter += found.n_iter
        return found


def adjustments(prepared: Prepared, effects: list[Effect], weight: Array) -> Adjustments:
    """What weights and effects do to the observations' noise."""
    adjust = plain_adjustments(len(prepared.obs))
    adjust.weight[:] = weight
    obs, row = prepared.obs, prepared.session_rows
    for e in effects:
        if e.kind == ENTRY and e.observation in row:
            adjust.added[row[e.observation]] = e.sd**2
        elif e.kind == "noise" and e.device in prepared.devices.meters:
            late = (obs.owner == prepared.devices.meters.index(e.device)) & (obs.t >= e.at)
            late &= ~obs.is_bench
            adjust.factor[late] = np.maximum(adjust.factor[late], e.factor)
    return adjust


def run(search: Search) -> Estimate:
    """The whole search: returns the final estimate; effects and weights stay in `search`."""
    settings = search.prepared.settings
    if not settings.robust or len(search.prepared.obs) < 2:
        return search.estimate()
    state = search.estimate(most=5).state
    if locate(search, state):
        state = search.evaluate()
    if settings.alarms:
        state = _explain(search, state)
    found = search.estimate(_reweigh(search, state))
    if settings.alarms and _explain_noise(search, found.state):
        found = search.estimate(_reweigh(search, search.evaluate()))
    return _relocated(search, found)


def locate(search: Search, state: State) -> bool:
    """Place unrecorded resets within their gaps; True if there were any."""
    located = located_switches(state)
    search.prepared.programmed.switches.update(located)
    if located:
        search.forget_design()
    return bool(located)


def _relocated(search: Search, found: Estimate) -> Estimate:
    """Unrecorded resets placed afresh at the final hyperparameters, as `condition` does."""
    slopes = search.prepared.programmed
    if all(s.certain for switches in slopes.switches.values() for s in switches):
        return found
    slopes.spread_out()
    search.forget_design()
    locate(search, search.evaluate())
    state = search.evaluate()
    return replace(found, state=state, curvature=curvature(state))


def _explain(search: Search, state: State) -> State:
    """Rounds of weights, shared causes, meters and hyperparameters, until nothing is new."""
    for turn in range(_ROUNDS):
        before = set(search.effects)
        state = _reweigh(search, state)
        if turn < 2:
            state = _explain_shared(search, state)
        _explain_meters(search, state)
        if set(search.effects) == before:
            break
        state = search.estimate(most=3).state
        _drop_unsupported(search, state)
    return search.evaluate()


def _reweigh(search: Search, state: State) -> State:
    search.weight = mixture_weights(left_out(state), search.prepared.obs.is_bench)
    return search.evaluate()


# --- shared causes ----------------------------------------------------------------------------


def _explain_shared(search: Search, state: State) -> State:
    """Accept steps of references and mass sets one by one, the largest first."""
    for _ in range(_MOST_SHARED):
        scans = [s for s in shared_scans(state) if len(s.at)]
        best = _best_shared(search, scans)
        if best is None:
            break
        scan, k = best
        device = search.names[scan.device_kind][scan.device]
        at, since = float(scan.at[k]), float(scan.since[k])
        effect = Effect(scan.kind, scan.device_kind, device, at, since)
        search.effects.append(_carried(search, effect, float(scan.size[k]), float(scan.sd[k])))
        state = search.evaluate()
    return state


def _best_shared(search: Search, scans: list[Scan]) -> tuple[Scan, int] | None:
    best: tuple[float, Scan, int] | None = None
    limits = shared_limit(search.budget, scans)
    search.limits |= limits
    for scan in scans:
        z = np.where(_explained(search, scan), 0.0, np.abs(scan.z))
        k = int(np.argmax(z))
        excess = float(z[k]) - limits[scan.kind]
        if excess > 0 and (best is None or excess > best[0]):
            best = (excess, scan, k)
    return None if best is None else (best[1], best[2])


def _explained(search: Search, scan: Scan) -> Flags:
    """Candidates that an effect already accepted for the device accounts for."""
    names = search.names[scan.device_kind]
    near = np.zeros(len(scan.at), dtype=np.bool_)
    for e in search.effects:
        same = (e.kind, e.device_kind, e.device)
        if same == (scan.kind, scan.device_kind, names[scan.device]):
            reach = np.inf if e.kind == "bend" else _NEAR_YEARS
            near |= np.abs(scan.at - e.at) <= reach
    return near


def _carried(search: Search, effect: Effect, size: float, sd: float, favour: float = 0.0) -> Effect:
    """The effect with the prior sd that its odds give it."""
    support = effect_support(effect, size, sd, favour, ODDS)
    return replace(effect, sd=carried_sd(support, sd, search.prepared.settings.step_sd))


# --- meters -----------------------------------------------------------------------------------


def _explain_meters(search: Search, state: State) -> None:
    """Explain each meter's own observations: steps, wrong entries, wild comparisons."""
    obs, devices = search.prepared.obs, search.prepared.devices
    odds, favours = ODDS, search.favours
    seen = views(state)
    limit = step_limit(search.budget, seen, favours, obs.is_bench)
    search.limits[METER] = limit
    for view in seen:
        for b in worth_explaining(view, obs, favours, odds, limit2=limit**2):
            steps = not devices.promoted[view.meter[b]]
            block = view.block(int(b), obs)
            explainer = Explainer(block, odds, favours, limit**2, steps=steps)
            for kind, row in _accepted(search, block):
                explainer.take_out(kind, row)
            for found in explainer.explain():
                _accept(search, found)


def _accepted(search: Search, block: MeterBlock) -> list[tuple[str, int]]:
    """Steps and entries already accepted for a meter: kind and first row."""
    obs, meter = search.prepared.obs, search.prepared.devices.meters[block.meter]
    result = []
    for e in search.effects:
        if e.device_kind == METER and e.device == meter and e.kind in ("step", "entry"):
            later = block.rows[obs.t[block.rows] >= e.at]
            if e.kind == "entry":
                later = np.array([search.prepared.session_rows[e.observation]])
            if len(later):
                result.append((e.kind, int(later[0])))
    return result


def _accept(search: Search, found: Found) -> None:
    obs = search.prepared.obs
    if found.kind == WILD:
        search.weight[found.row] = 1 / SCALES[-1] ** 2
        return
    at = float(obs.t[found.row])
    effect = Effect(
        found.kind,
        METER,
        search.prepared.devices.meters[found.meter],
        at,
        float(obs.t[found.before]) if found.before >= 0 else at,
        obs.name[found.row] if found.kind == ENTRY else None,
        sd=carried_sd(found.support, found.sd, search.prepared.settings.step_sd),
    )
    if effect not in search.effects:
        search.effects.append(effect)


def _drop_unsupported(search: Search, state: State) -> None:
    """Leave out effects that no longer stand beside the others; weigh the rest anew."""
    devices, row = search.prepared.devices, search.prepared.session_rows
    for effect, s in supports(state, search.effects).items():
        own = (
            effect.device_kind == METER
            and not devices.promoted[devices.meters.index(effect.device)]
        )
        favour = 0.0
        if own:
            favour = search.favours.of_effect(effect, s.size, s.sd, search.prepared.obs, row)
        limit = search.limits[METER if own else effect.kind]
        if s.z2 + favour < (_KEPT * limit) ** 2:
            search.effects.remove(effect)
        else:
            k = search.effects.index(effect)
            search.effects[k] = _carried(search, effect, s.size, s.sd, favour)


def _explain_noise(search: Search, state: State) -> bool:
    """Accept grown noise of meters; True if any was."""
    obs, meters = search.prepared.obs, search.prepared.devices.meters
    grown = noise_p_values(standardized_innovations(state), obs)
    allowed = search.budget.noise / max(len(grown), 1)
    chosen = [g for g in grown if g.p < allowed]
    for g in chosen:
        at, since = float(obs.t[g.row]), float(obs.t[g.before])
        effect = Effect("noise", METER, meters[g.meter], at, since, None, g.factor, g.p)
        search.effects.append(effect)
        search.noise_p[effect] = g.p
    return bool(chosen)
