"""Adjust each observation to its meter's gain error: everything else is taken off."""

import numpy as np
import polars as pl

from models.fleet.design import Entries
from models.fleet.inference import (
    State,
    batch_innovations,
    noise_variance,
    sensor_covariance,
    used_noise,
)
from models.metrology import Array, instants

_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "kind": pl.String,
    "id": pl.String,
    "meter_id": pl.String,
    "at": pl.Datetime("us", "UTC"),
    "gain_error": pl.Float64,
    "sd": pl.Float64,
    "standardized": pl.Float64,
}


def adjusted_observation_frame(state: State, used: pl.DataFrame) -> pl.DataFrame:
    """Return the gain error that each observation shows, and how surprising it was.

    In   used: kind, id, weight, used (see FleetFit.weights)
    Out  kind (bench, comparison), id, meter_id (whose course it tells of), at, gain_error (what
         was found, less the reference, pair, mass set, place, crank and temperature parts as
         estimated), sd (of the observation's own noise), both 100·ln, standardized (residual
         one step ahead), weight, used
    """
    obs, devices = state.design.obs, state.design.layout.devices
    n = len(obs)
    noise, own, sd, z = np.zeros(n), np.zeros(n), np.ones(n), np.zeros(n)
    for batch, block in zip(state.design.batches, state.blocks, strict=True):
        real = batch.mask > 0
        rows = batch.rows[real]
        full = noise_variance(batch, block)
        noise[rows] = (block.alpha * (used_noise(batch, block) + batch.added))[real]
        course = sensor_covariance(batch, block.scales) @ block.alpha[..., None]
        own[rows] = course[..., 0][real]
        sd[rows] = np.sqrt(full[real])
        found, expected = batch_innovations(batch, block)
        z[rows] = (found / expected)[real]
    smoothed = _shared_course(state) + own - state.design.programmed.mean(obs.owner, obs.t)
    return pl.DataFrame(
        {
            "kind": np.where(obs.is_bench, "bench", "comparison"),
            "id": obs.name,
            "meter_id": [devices.meters[i] for i in obs.owner],
            "at": instants(obs.t),
            "gain_error": smoothed + noise,
            "sd": sd,
            "standardized": z,
        },
        schema=_SCHEMA,
    ).join(used, on=["kind", "id"], how="left", maintain_order="left")


def _shared_course(state: State) -> Array:
    """Return the owners' sensors at their observations, as far as shared effects make them up."""
    layout, obs = state.design.layout, state.design.obs
    entries = Entries()
    rows = np.arange(len(obs), dtype=np.int64)
    swaps = layout.events.swap.total(obs.owner, obs.t)
    layout.add_meters(entries, rows, obs.owner, obs.t, swaps=swaps)
    row, column, value = entries.joined()
    weights = value * state.mean[column]
    return np.bincount(row, weights=weights, minlength=len(obs)).astype(np.float64)
