"""Compute one-step-ahead innovations: what each meter showed against what was to be expected.

Each observation is predicted from the meter's own earlier ones and from everything the rest of
the fleet says (all dates: the references are known as well as they are today). Under the model
the standardized innovations of a meter are independent standard normals, so charts may rest on
them.
"""

import numpy as np
import polars as pl

from models.fleet.design import Batch, Observations
from models.fleet.inference.likelihood import BlockState, State
from models.metrology import Array, instants

_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "kind": pl.String,
    "id": pl.String,
    "device_id": pl.String,
    "reference_id": pl.String,
    "bench_id": pl.String,
    "at": pl.Datetime("us", "UTC"),
    "innovation": pl.Float64,
    "sd": pl.Float64,
    "standardized": pl.Float64,
    "gain": pl.Float64,
    "weight": pl.Float64,
}


def innovation_frame(state: State) -> pl.DataFrame:
    """Return one row an observation, in the meters' order and time's.

    Out  kind (bench, comparison), id, device_id (the meter whose course it tells of),
         reference_id, bench_id, at, innovation and sd (100·ln, at full weight), standardized,
         gain (share of the innovation that the next forecast takes over), weight (what was used
         of it)
    """
    obs, devices = state.design.obs, state.design.layout.devices
    n = len(obs)
    innovation, sd, weight, gain = np.zeros(n), np.ones(n), np.ones(n), np.zeros(n)
    for batch, block in zip(state.design.batches, state.blocks, strict=True):
        real = batch.mask > 0
        rows = batch.rows[real]
        found, spread = batch_innovations(batch, block)
        innovation[rows], sd[rows] = found[real], spread[real]
        weight[rows] = batch.weight[real]
        gain[rows] = 1.0 - np.minimum(noise_variance(batch, block)[real] / spread[real] ** 2, 1.0)
    return pl.DataFrame(
        {
            "kind": np.where(obs.is_bench, "bench", "comparison"),
            "id": obs.name,
            "device_id": [devices.meters[i] for i in obs.owner],
            "reference_id": _reference_names(obs, state),
            "bench_id": [devices.benches[i] if i >= 0 else None for i in obs.bench],
            "at": instants(obs.t),
            "innovation": innovation,
            "sd": sd,
            "standardized": innovation / sd,
            "gain": gain,
            "weight": weight,
        },
        schema=_SCHEMA,
    )


def standardized_innovations(state: State) -> Array:
    """Return the standardized innovations of all observations, at full weight."""
    return np.concatenate(state.each(_standardized))


def _standardized(state: State) -> Array:
    z = np.zeros(len(state.design.obs))
    for batch, block in zip(state.design.batches, state.blocks, strict=True):
        real = batch.mask > 0
        found, sd = batch_innovations(batch, block)
        z[batch.rows[real]] = (found / sd)[real]
    return z


def _reference_names(obs: Observations, state: State) -> list[str | None]:
    devices = state.design.layout.devices
    names: list[str | None] = []
    for ref, other in zip(obs.ref.tolist(), obs.other.tolist(), strict=True):
        if ref >= 0:
            names.append(devices.references[ref])
        else:
            names.append(devices.meters[other] if other >= 0 else None)
    return names


def batch_innovations(batch: Batch, block: BlockState) -> tuple[Array, Array]:
    """Return innovations and their sds at full weight, [B, n] each."""
    Q = expected_covariance(batch, block)
    r = np.einsum("bij,bj->bi", Q, block.alpha)
    L = np.linalg.cholesky(Q)
    z = np.linalg.solve(L, r[..., None])[..., 0]
    sd = np.einsum("bii->bi", L)
    noise = noise_variance(batch, block)
    full = np.maximum(sd**2 - used_noise(batch, block) + noise, 1e-3 * noise + 1e-12)
    return z * sd, np.sqrt(full)


def expected_covariance(batch: Batch, block: BlockState) -> Array:
    """Return each block's covariance given the rest of the fleet, [B, n, n]: P's block inverted."""
    return inverted(block.P, batch.mask)


def inverted(P: Array, mask: Array) -> Array:
    """Return the inverses of blocks of P, [B, n, n]; padded places are independent."""
    n = mask.shape[1]
    scale = np.sqrt(np.einsum("bii->bi", P)) + (1 - mask)
    scaled = P / (scale[:, :, None] * scale[:, None, :])
    scaled += np.eye(n) * (1 - mask[:, :, None] + 1e-10)
    Q = np.linalg.inv(scaled) / (scale[:, :, None] * scale[:, None, :])
    total: Array = (Q + Q.transpose(0, 2, 1)) / 2
    return total


def regular_noise(batch: Batch, block: BlockState) -> Array:
    """Return the variance of each observation's regular noise, [B, n]; 0 where padded."""
    s = block.scales
    extra = batch.bench * s.bench2[:, None] + (batch.mask - batch.bench) * s.ride2[:, None]
    total: Array = (batch.noise2 + extra) * batch.scale2
    return total


def noise_variance(batch: Batch, block: BlockState) -> Array:
    """Return the variance of each observation's noise, wide part included; 0 where padded."""
    return regular_noise(batch, block) * batch.noise_ratio


def used_noise(batch: Batch, block: BlockState) -> Array:
    """Return the variance of each observation's noise at the weight that was used, [B, n]."""
    regular = regular_noise(batch, block)
    return np.divide(regular, batch.weight, out=np.zeros_like(regular), where=batch.mask > 0)
