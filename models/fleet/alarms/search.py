"""Fit, weigh and explain in turn, until nothing new turns up.

Shared causes first: a trainer's or mass set's step is put into the model before any meter is
looked at, so that its meters are not blamed. Then each meter's own observations, then weights,
then the hyperparameters again.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from models.fleet.alarms.alarm_budget import Budget, entry_limit, shared_limit, step_limit
from models.fleet.alarms.noise import noise_p_values
from models.fleet.alarms.odds_adjustments import odds_adjustments_of
from models.fleet.alarms.prior_odds import Odds, carried_sd, effect_log_odds
from models.fleet.alarms.scan_meters import (
    ENTRY,
    OUTLIER,
    BatchStatistics,
    Found,
    OddsAdjustments,
    Rules,
    batch_statistics,
    explained,
    worth_explaining,
)
from models.fleet.alarms.scan_shared import Scan, shared_scans
from models.fleet.design import (
    BENCH,
    GROUP,
    METER,
    REFERENCE,
    Adjustments,
    Design,
    Effect,
    Observations,
    Prepared,
    alarm_steps,
    plain_adjustments,
)
from models.fleet.inference import (
    NORMAL,
    SCALES,
    Estimate,
    Hyper,
    Mixture,
    State,
    curvature,
    estimate,
    estimate_effects,
    evaluate,
    left_out,
    localised_changes,
    mixture_weights,
    standardized_innovations,
)
from models.metrology import DAYS_A_YEAR, Array, Mask

_ROUNDS = 4
_MOST_SHARED = 6
ODDS = Odds()
_NEAR_YEARS = 60 / DAYS_A_YEAR
_NEAR_TOP = 0.7
"""Shared effects are accepted together if their |z| is above so much of the largest."""
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
    mixtures: tuple[Mixture, Mixture] = (NORMAL, NORMAL)
    """Of sessions and of comparisons."""
    noise_p: dict[Effect, float] = field(default_factory=dict)
    _design: Design | None = None
    _built_with: tuple[tuple[Effect, float], ...] = ()

    def __post_init__(self) -> None:
        if not len(self.weight):
            self.weight = np.ones(len(self.prepared.obs))
        self.odds_adjustments: OddsAdjustments = odds_adjustments_of(self.prepared)
        devices = self.prepared.devices
        self.names = {
            REFERENCE: devices.references,
            BENCH: devices.benches,
            METER: devices.meters,
            GROUP: devices.groups,
        }

    def design(self) -> Design:
        """Return the design with the effects and weights found so far."""
        adjust = adjustments(self.prepared, self.effects, self.weight, self.mixtures)
        shared = tuple((e, e.sd) for e in self.effects if not is_own(self.prepared, e))
        if self._design is None or self._built_with != shared:
            self._design = self.prepared.design(self.effects, adjust)
            self._built_with = shared
        else:
            self._design.update(adjust, alarm_steps(self.effects, self.prepared.devices.meters))
        return self._design

    def forget_design(self) -> None:
        """Build the design again next time: the programmed slopes have changed."""
        self._design = None
        self.prepared.forget_slopes()

    def evaluate(self) -> State:
        """Return the state at the current hyperparameters."""
        return evaluate(self.design(), self.hyper)

    def estimate(self, state: State | None = None, most: int = 0) -> Estimate:
        """Improve the hyperparameters, from the present state if it is at hand."""
        found = estimate(state or self.evaluate(), self.prepared.settings, most)
        self.hyper = found.hyper
        self.n_iter += found.n_iter
        return found


def adjustments(
    prepared: Prepared, effects: list[Effect], weight: Array, mixtures: tuple[Mixture, Mixture]
) -> Adjustments:
    """Return what weights and effects do to the observations' noise."""
    adjust = plain_adjustments(len(prepared.obs))
    adjust.weight[:] = weight
    bench, rides = mixtures
    adjust.noise_ratio[:] = np.where(
        prepared.obs.is_bench, bench.variance_ratio, rides.variance_ratio
    )
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
    """Run the whole search and return the final estimate; effects and weights stay in it."""
    settings = search.prepared.settings
    if not settings.robust or len(search.prepared.obs) < 2:
        return search.estimate()
    state = search.estimate(most=5).state
    if localise_resets(search, state):
        state = search.evaluate()
    if settings.alarms:
        state = _explain(search, state)
    found = search.estimate(_reweigh(search, state))
    if settings.alarms and _explain_noise(search, found.state):
        found = search.estimate(_reweigh(search, search.evaluate()))
    return _final(search, found)


def localise_resets(search: Search, state: State) -> bool:
    """Localise unrecorded resets within their gaps; True if there were any."""
    located = localised_changes(state)
    search.prepared.programmed.changes.update(located)
    if located:
        search.forget_design()
    return bool(located)


def _final(search: Search, found: Estimate) -> Estimate:
    """Return the final state, as `condition` rebuilds it.

    Weights count the information they stand for; unrecorded resets are localised at the final
    hyperparameters.
    """
    bench = search.prepared.obs.is_bench
    search.weight = search.weight * np.where(
        bench, search.mixtures[0].information, search.mixtures[1].information
    )
    slopes = search.prepared.programmed
    if any(not s.certain for changes in slopes.changes.values() for s in changes):
        slopes.forget_localisation()
        search.forget_design()
        localise_resets(search, search.evaluate())
    state = search.evaluate()
    return replace(found, state=state, curvature=curvature(state))


def _explain(search: Search, state: State) -> State:
    """Take turns at weights, shared causes, meters and hyperparameters until nothing is new."""
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
    bench = search.prepared.obs.is_bench
    search.weight, *mixtures = mixture_weights(left_out(state), bench)
    search.mixtures = (mixtures[0], mixtures[1])
    return search.evaluate()


def describe_noise(search: Search, state: State) -> None:
    """Learn the noise's mixtures, the weights left as they are."""
    _, *mixtures = mixture_weights(left_out(state), search.prepared.obs.is_bench)
    search.mixtures = (mixtures[0], mixtures[1])


def _explain_shared(search: Search, state: State) -> State:
    """Accept steps of references and mass sets, bends of groups, the largest first."""
    for _ in range(_MOST_SHARED):
        scans = [s for s in shared_scans(state) if len(s.at)]
        best = _best_shared(search, scans)
        for scan, k in best:
            device = search.names[scan.device_kind][scan.device]
            at, since = float(scan.at[k]), float(scan.since[k])
            effect = Effect(scan.kind, scan.device_kind, device, at, since)
            size, sd = float(scan.size[k]), float(scan.sd[k])
            search.effects.append(_carried(search, effect, size, sd))
        if not best:
            break
        state = search.evaluate()
    return state


def _best_shared(search: Search, scans: list[Scan]) -> list[tuple[Scan, int]]:
    """Return the best supported candidate, and those of other devices that come near it."""
    limits = shared_limit(search.budget, scans)
    search.limits |= limits
    found = []
    for scan in scans:
        z = np.where(_explained(search, scan), 0.0, np.abs(scan.z))
        k = int(np.argmax(z))
        if z[k] > limits[scan.kind]:
            found.append((float(z[k]), scan, k))
    top = max((z for z, _, _ in found), default=0.0)
    return [(scan, k) for z, scan, k in found if z > _NEAR_TOP * top]


def _explained(search: Search, scan: Scan) -> Mask:
    """Return which candidates an effect already accepted for the device accounts for."""
    names = search.names[scan.device_kind]
    near = np.zeros(len(scan.at), dtype=np.bool_)
    for e in search.effects:
        same = (e.kind, e.device_kind, e.device)
        if same == (scan.kind, scan.device_kind, names[scan.device]):
            reach = np.inf if e.kind == "bend" else _NEAR_YEARS
            near |= np.abs(scan.at - e.at) <= reach
    return near


def _carried(search: Search, effect: Effect, size: float, sd: float) -> Effect:
    """Return the effect with the prior sd that its odds give it."""
    log_odds = effect_log_odds(effect, size, sd, ODDS)
    return replace(effect, sd=carried_sd(log_odds, sd, search.prepared.settings.step_sd))


def _explain_meters(search: Search, state: State) -> None:
    """Explain each meter's own observations from the start: steps, wrong entries, outliers."""
    obs, devices = search.prepared.obs, search.prepared.devices
    seen = batch_statistics(state, _own_steps(search))
    steps = step_limit(search.budget, seen, search.odds_adjustments)
    entries = entry_limit(
        search.budget,
        int(obs.is_bench.sum()),
        search.odds_adjustments,
        max(search.mixtures, key=lambda m: m.variance_ratio),
        noise_share=_noise_share(seen, obs),
    )
    rules = Rules(ODDS, search.odds_adjustments, steps**2, entries**2)
    search.effects = [
        e for e in search.effects if e.kind == "noise" or not is_own(search.prepared, e)
    ]
    for view in seen:
        for b in worth_explaining(view, obs, rules):
            may_step = not devices.promoted[view.meter[b]]
            block = view.block(int(b), obs)
            search.weight[block.rows] = 1.0
            for found in explained(block, rules, steps=may_step):
                _accept(search, found)


def _noise_share(seen: list[BatchStatistics], obs: Observations) -> float:
    """Return the median share of own noise in the variance of the sessions' residuals."""
    shares = [
        (view.noise * np.einsum("bii->bi", view.P))[obs.is_bench[view.rows] & (view.mask > 0)]
        for view in seen
    ]
    joined = np.concatenate(shares) if shares else np.zeros(0)
    return float(np.median(joined)) if len(joined) else 1.0


def is_own(prepared: Prepared, effect: Effect) -> bool:
    """Tell whether the effect is one of a meter by itself (a promoted meter's step is shared)."""
    devices = prepared.devices
    if effect.kind == "noise":
        return True
    if effect.device_kind != METER or effect.kind not in ("step", "entry"):
        return False
    return effect.kind == "entry" or not devices.promoted[devices.meters.index(effect.device)]


def _own_steps(search: Search) -> dict[int, list[tuple[float, float]]]:
    """Return instant and prior variance of the steps in the model, by meter."""
    steps: dict[int, list[tuple[float, float]]] = {}
    for e in search.effects:
        if e.kind == "step" and is_own(search.prepared, e):
            meter = search.prepared.devices.meters.index(e.device)
            steps.setdefault(meter, []).append((e.at, e.sd**2))
    return steps


def _accept(search: Search, found: Found) -> None:
    obs = search.prepared.obs
    if found.kind == OUTLIER:
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
        sd=carried_sd(found.log_odds, found.sd, search.prepared.settings.step_sd),
    )
    search.effects.append(effect)


def _drop_unsupported(search: Search, state: State) -> None:
    """Leave out shared effects that no longer stand beside the others; weigh the rest again."""
    for effect, s in estimate_effects(state, search.effects).items():
        if is_own(search.prepared, effect):
            continue
        if s.z2 < (_KEPT * search.limits[effect.kind]) ** 2:
            search.effects.remove(effect)
        else:
            k = search.effects.index(effect)
            search.effects[k] = _carried(search, effect, s.size, s.sd)


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
