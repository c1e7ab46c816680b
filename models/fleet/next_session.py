"""Say what the next bench session of a meter will have in common with those before it.

The mass set, the place, the crank and what is constant for the meter err as they did before. So
that part of the next finding is known in part, and it is not independent of the error as
estimated: what past sessions owe to it, the estimate owes to it too.
"""

from dataclasses import dataclass

import numpy as np

from models.fleet.design import METER, Observations
from models.fleet.inference import Posterior, Targets
from models.metrology import Array


@dataclass(frozen=True)
class SharedPart:
    """The common part of a meter's sessions, 100·ln.

    covariance  [T] with the meter's gain error at each instant; variance: of itself, as known
    """

    covariance: Array
    variance: float


def shared_part(posterior: Posterior, meter: int, t: Array) -> SharedPart | None:
    """Return what the meter's next session shares with its last; None: it had none.

    t: instants, years since 1970
    """
    obs = posterior.state.design.obs
    rows = np.flatnonzero(obs.is_bench & (obs.owner == meter))
    if not rows.size:
        return None
    last = int(rows[np.argmax(obs.t[rows])])
    where, b = posterior.state.design.place[meter]
    batch, block = posterior.state.design.batches[where], posterior.state.blocks[where]
    kernel = _own_kernel(obs, last, batch.rows[b]) * batch.mask[b] * batch.bench[b]
    row = _columns_met(posterior, last)
    real = batch.columns[b] < row.size
    row[batch.columns[b][real]] -= (kernel @ block.VinvA[b])[real]
    p = posterior.predict(Targets([METER] * t.size, np.full(t.size, meter), t))
    G = np.zeros((t.size, row.size))
    G[:, p.columns] = p.G
    covariance = G @ (posterior.state.C @ row)
    if meter not in posterior.layout.courses:
        covariance -= posterior.with_observations(meter, t) @ block.Vinv[b] @ kernel
    own = obs.u_meter[last] ** 2 + (obs.u_crank[last] ** 2 if obs.crank[last] >= 0 else 0.0)
    variance = own - kernel @ block.Vinv[b] @ kernel + row @ posterior.state.C @ row
    return SharedPart(covariance, float(max(variance, 0.0)))


def _own_kernel(obs: Observations, last: int, rows: Array) -> Array:
    """Return the covariance of the crank's and the meter's constant parts with sessions [n]."""
    same = (obs.crank[rows] == obs.crank[last]) & (obs.crank[last] >= 0)
    out: Array = np.where(same, obs.u_crank[rows] * obs.u_crank[last], 0.0)
    return np.asarray(out + obs.u_meter[rows] * obs.u_meter[last])


def _columns_met(posterior: Posterior, last: int) -> Array:
    """Return 1 at the shared effects of a session's mass set, place and crank, [shared]."""
    layout, obs = posterior.layout, posterior.state.design.obs
    row = np.zeros(posterior.state.design.n_shared)
    for code, columns in (
        (obs.bench[last], layout.bench_columns),
        (obs.place[last], layout.place_columns),
        (obs.shared_crank[last], layout.crank_columns),
    ):
        if code >= 0:
            row[columns[code]] = 1.0
    for device, at, column in layout.bench_steps:
        if device == obs.bench[last] and obs.t[last] >= at:
            row[column] = 1.0
    return row
