"""Fits the fleet model, and rebuilds a fit from what was stored of it."""

from datetime import date

import numpy as np
import polars as pl

from models.fleet.arrays import year_of
from models.fleet.data import FleetData
from models.fleet.estimate import Estimate, estimate
from models.fleet.hyper import Hyper, starting_hyper
from models.fleet.predict import Posterior
from models.fleet.prepare import Prepared, prepare
from models.fleet.result import FleetFit
from models.fleet.settings import FleetSettings
from models.fleet.swaps import swap_outlook


def fit(
    data: FleetData,
    *,
    today: date,
    settings: FleetSettings | None = None,
    start: Hyper | None = None,
) -> FleetFit:
    """Fit the fleet model to all data given.

    today   the day from which battery swaps are to be expected; data dated later still count
    start   an earlier fit's hyperparameters, to begin from
    """
    prepared = prepare(data, settings or FleetSettings())
    design = prepared.design()
    hyper = starting_hyper(
        prepared.devices.groups, prepared.settings, prepared.relevant(design), start
    )
    found = estimate(design, hyper, prepared.settings)
    return _result(prepared, found, today)


def _result(prepared: Prepared, found: Estimate, today: date) -> FleetFit:
    design = found.state.design
    outlook = swap_outlook(
        prepared.devices, design.layout.clocks.swap, prepared.settings, today=year_of(today)
    )
    weights = pl.DataFrame(
        {
            "kind": np.where(prepared.obs.is_bench, "bench", "comparison"),
            "id": prepared.obs.name,
            "weight": np.ones(len(prepared.obs)),
        },
        schema={"kind": pl.String, "id": pl.String, "weight": pl.Float64},
    )
    return FleetFit(
        hyper=found.hyper,
        converged=found.converged,
        message=found.message,
        n_iter=found.n_iter,
        weights=weights,
        alarms=pl.DataFrame(),
        effects=[],
        today=today,
        prepared=prepared,
        posterior=Posterior(found.state, found.curvature, outlook),
    )
