"""Fit the fleet model, and rebuild a fit from what was stored of it."""

from collections.abc import Sequence
from datetime import date

import numpy as np
import polars as pl

from models.fleet.alarms import (
    Search,
    alarm_frame,
    budget_for,
    describe_noise,
    estimate_proposals,
    left_open,
    localise_resets,
    run,
)
from models.fleet.design import (
    Effect,
    FleetData,
    FleetSettings,
    Prepared,
    Workers,
    parts_of,
    prepare,
)
from models.fleet.inference import (
    WILD_WEIGHT,
    Estimate,
    Hyper,
    Posterior,
    estimate_effects,
    starting_hyper,
    swap_outlook,
)
from models.fleet.result import FleetFit
from models.metrology import Array, year_of


def fit(
    data: FleetData,
    *,
    today: date,
    settings: FleetSettings | None = None,
    start: Hyper | None = None,
    workers: Workers | None = None,
) -> FleetFit:
    """Fit the fleet model to all data given: hyperparameters, robust weights, alarms.

    today   the day from which battery swaps are to be expected; data dated later still count
    start   an earlier fit's hyperparameters, to begin from
    workers keep the meters' observations, each those of some meters; only sums over them travel
    """
    search = _search(prepare(data, settings or FleetSettings()), start)
    if workers is not None:
        search.parts = parts_of(search.prepared.obs, workers)
    return _result(search, run(search), today)


def condition(
    data: FleetData,
    hyper: Hyper,
    *,
    today: date,
    settings: FleetSettings | None = None,
    effects: Sequence[Effect] = (),
    weights: pl.DataFrame | None = None,
) -> FleetFit:
    """Return the posterior at stored hyperparameters, effects and weights, without refitting.

    weights   columns kind, id, weight, scale as in FleetFit.weights; observations it does not
              name count in full, with their meter's scale. Groups that the hyperparameters do not
              know get the mean of others.
    """
    search = _search(prepare(data, settings or FleetSettings()), hyper)
    if hyper.groups == search.hyper.groups:
        search.hyper = hyper
    search.effects, search.with_proposed = list(effects), False
    search.noise_p = {e: e.p for e in effects if e.kind == "noise"}
    search.weight, search.scale = _stored_noise(search.prepared, weights)
    state = search.evaluate()
    if localise_resets(search, state):
        state = search.evaluate()
    if search.prepared.settings.robust:
        describe_noise(search, state)
        state = search.evaluate()
    found = Estimate(state, True, 0, "from stored hyperparameters")
    return _result(search, found, today)


def _search(prepared: Prepared, start: Hyper | None) -> Search:
    settings = prepared.settings
    relevant = prepared.relevant(prepared.layout(()))
    hyper = starting_hyper(prepared.devices.groups, settings, relevant, start)
    if settings.priors is None and start is None:
        hyper = _scaled_start(prepared, hyper)
    t = prepared.obs.t
    years = float(np.ptp(t)) if len(t) else 0.0
    return Search(prepared, hyper, budget_for(settings.false_alarms_per_season, years))


def _scaled_start(prepared: Prepared, hyper: Hyper) -> Hyper:
    """Begin with half the observations' own spread, as no priors tell the usual one."""
    obs = prepared.obs
    if len(obs) < 2:
        return hyper
    spread = max(float(np.std(obs.value)), 1e-3) / 2
    reach = max(float(np.ptp(obs.t)), 1e-3)
    per = {"drift": reach, "walk": np.sqrt(reach), "reference_walk": np.sqrt(reach)}
    values = hyper.values.copy()
    for i in np.flatnonzero(hyper.active):
        kind = hyper.keys[i][0]
        if kind != "tie":
            values[i] = np.log(spread / per.get(kind, 1.0))
    return hyper.moved(values)


def _stored_noise(prepared: Prepared, weights: pl.DataFrame | None) -> tuple[Array, Array]:
    """Return the observations' weights and scales; a new ride has its meter's scale."""
    n = len(prepared.obs)
    weight, scale = np.ones(n), np.ones(n)
    if weights is None:
        return weight, scale
    known = weights.select("kind", "id", "weight", "scale").iter_rows()
    stored = {(kind == "bench", name): (w, s) for kind, name, w, s in known}
    own = np.ones(len(prepared.devices.meters))
    for k, key in enumerate(prepared.observation_keys()):
        weight[k], scale[k] = stored.get(key, (1.0, 1.0))
        if not key[0] and key in stored:
            own[prepared.obs.owner[k]] = scale[k]
    return weight, np.where(prepared.obs.is_bench, 1.0, own[prepared.obs.owner])


def _result(search: Search, found: Estimate, today: date) -> FleetFit:
    prepared = search.prepared
    estimates = estimate_effects(found.state, search.effects)
    proposals = estimate_proposals(found.state, [e for e in search.effects if e.proposed])
    outlook = swap_outlook(
        prepared.devices, prepared.events["swap"], prepared.settings, today=year_of(today)
    )
    return FleetFit(
        hyper=found.hyper,
        converged=found.converged,
        message=found.message,
        n_iter=search.n_iter,
        weights=_weights_frame(search),
        alarms=alarm_frame(prepared, estimates | proposals, search.noise_p),
        effects=search.effects,
        today=today,
        prepared=prepared,
        posterior=Posterior(
            found.state, found.curvature, outlook, left_open(found.state, proposals)
        ),
    )


def _weights_frame(search: Search) -> pl.DataFrame:
    obs = search.prepared.obs
    wrong = {e.observation for e in search.effects if e.kind == "entry"}
    return pl.DataFrame(
        {
            "kind": np.where(obs.is_bench, "bench", "comparison"),
            "id": obs.name,
            "weight": search.weight,
            "scale": search.scale,
            "used": [
                not (bench and name in wrong) and weight > WILD_WEIGHT
                for name, bench, weight in zip(obs.name, obs.is_bench, search.weight, strict=True)
            ],
        },
        schema={
            "kind": pl.String,
            "id": pl.String,
            "weight": pl.Float64,
            "scale": pl.Float64,
            "used": pl.Boolean,
        },
    )
