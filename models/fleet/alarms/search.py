"""Fit, weigh and explain in turn, until nothing new turns up.

Shared causes first: a trainer's or mass set's step is put into the model before any meter is
looked at, so that its meters are not blamed. Then each meter's own observations, then weights,
then the hyperparameters again. What is only proposed leaves the model before the last estimate.
"""

from dataclasses import replace

import numpy as np

from models.fleet.alarms.alarm_budget import entry_limit, step_limit
from models.fleet.alarms.explain_shared import (
    drop_unsupported,
    explain_shared,
    shape_groups,
)
from models.fleet.alarms.noise import noise_p_values
from models.fleet.alarms.prior_odds import ODDS, carried_sd
from models.fleet.alarms.scan_meters import (
    ENTRY,
    OUTLIER,
    Found,
    OddsAdjustments,
    OwnSteps,
    Rules,
    StepScans,
    batch_statistics,
    explained,
    step_scans,
    worth_explaining,
)
from models.fleet.alarms.search_state import Search, is_own, own_steps
from models.fleet.design import METER, Effect, dated_by_zeros
from models.fleet.inference import (
    SCALES,
    WILD_WEIGHT,
    Estimate,
    LeftOut,
    State,
    left_out,
    localised_changes,
    mixture_weights,
    own_scales,
    standardized_innovations,
)
from models.metrology import Index

_ROUNDS = 4


def run(search: Search) -> Estimate:
    """Run the whole search and return the final estimate; effects and weights stay in it."""
    settings = search.prepared.settings
    if not settings.robust or len(search.prepared.obs) < 2:
        found = search.estimate()
        search.bring_home()
        return replace(found, state=search.evaluate()) if found.state.parts else found
    state = search.estimate(most=5).state
    if localise_resets(search, state):
        state = search.evaluate()
    state = shape_groups(search, state)
    if settings.alarms:
        state = _explain(search, state)
    if any(e.proposed for e in search.effects):
        search.with_proposed = False
        state = search.evaluate()
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
    hyperparameters, and steps dated by the jumps of zeros that they meet.
    """
    search.bring_home()
    search.effects = dated_by_zeros(search.effects, search.prepared.data.events)
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
    return replace(found, state=state)


def _explain(search: Search, state: State) -> State:
    """Take turns at weights, shared causes, meters and hyperparameters until nothing is new."""
    for turn in range(_ROUNDS):
        before = set(search.effects)
        state = _reweigh(search, state)
        if turn < 2:
            state = explain_shared(search, state)
        _explain_meters(search, state)
        if set(search.effects) == before:
            break
        state = search.estimate(most=3).state
        drop_unsupported(search, state)
    return search.evaluate()


def _reweigh(search: Search, state: State) -> State:
    obs = search.prepared.obs
    out = _residuals(search, state)
    rides, usual = ~obs.is_bench, out.noise / search.scale**2
    part = LeftOut(out.residual[rides], out.others[rides], usual[rides])
    search.scale[rides] = own_scales(part, obs.owner[rides], search.mixtures[1])
    out.noise = usual * search.scale**2
    search.weight, *mixtures = mixture_weights(out, obs.is_bench)
    search.mixtures = (mixtures[0], mixtures[1])
    return search.evaluate()


def describe_noise(search: Search, state: State) -> None:
    """Learn the noise's mixtures, the weights left as they are."""
    _, *mixtures = mixture_weights(_residuals(search, state), search.prepared.obs.is_bench)
    search.mixtures = (mixtures[0], mixtures[1])


def _residuals(search: Search, state: State) -> LeftOut:
    """Return leave-one-out residuals beside their regular noise, grown where it has grown."""
    out = left_out(state)
    out.noise *= search.adjustments().factor ** 2
    return out


def _explain_meters(search: Search, state: State) -> None:
    """Explain each meter's own observations from the start: steps, wrong entries, outliers."""
    obs, steps = search.prepared.obs, own_steps(search.prepared, search.effects)
    scans = state.each(_scanned, steps)
    entries = entry_limit(
        search.budget,
        int(obs.is_bench.sum()),
        search.odds_adjustments,
        max(search.mixtures, key=lambda m: m.variance_ratio),
        noise_share=_noise_share(scans),
    )
    limits = (step_limit(search.budget, scans, search.odds_adjustments) ** 2, entries**2)
    search.effects = [
        e for e in search.effects if e.kind == "noise" or not is_own(search.prepared, e)
    ]
    found = state.each(_explained, steps, *limits, rows=(search.odds_adjustments,))
    for first, part in zip(state.first_rows, found, strict=True):
        for rows, explanations in sorted(part, key=lambda meter: int(meter[0][0])):
            search.weight[rows + first] = 1.0
            for explanation in explanations:
                _accept(search, explanation.later(first))


def _scanned(state: State, steps: OwnSteps) -> StepScans:
    return step_scans(batch_statistics(state, steps), state.design.obs)


def _explained(
    state: State, steps: OwnSteps, step2: float, entry2: float, adjustments: OddsAdjustments
) -> list[tuple[Index, list[Found]]]:
    """Return of each meter worth a look its rows, and what explains them best."""
    obs, devices = state.design.obs, state.design.layout.devices
    rules = Rules(ODDS, adjustments, step2, entry2)
    result = []
    for view in batch_statistics(state, steps):
        for b in worth_explaining(view, obs, rules):
            block = view.block(int(b), obs)
            may_step = not devices.promoted[view.meter[b]]
            result.append((block.rows, explained(block, rules, steps=may_step)))
    return result


def _noise_share(scans: list[StepScans]) -> float:
    """Return the median share of own noise in the variance of the sessions' residuals."""
    joined = np.concatenate([scan.noise_share for scan in scans])
    return float(np.median(joined)) if len(joined) else 1.0


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


def _explain_noise(search: Search, state: State) -> bool:
    """Accept grown noise of meters; True if any was."""
    obs, meters = search.prepared.obs, search.prepared.devices.meters
    z = search.scale * standardized_innovations(state)
    grown = noise_p_values(z, obs, search.weight > WILD_WEIGHT)
    allowed = search.budget.noise / max(len(grown), 1)
    chosen = [g for g in grown if g.p < allowed]
    for g in chosen:
        at, since = float(obs.t[g.row]), float(obs.t[g.before])
        effect = Effect("noise", METER, meters[g.meter], at, since, None, g.factor, g.p)
        search.effects.append(effect)
        search.noise_p[effect] = g.p
    return bool(chosen)
