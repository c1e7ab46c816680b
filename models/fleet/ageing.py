"""Say how a fleet ages: rates and steps by meter and group, and each group's course with age."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.fleet.design import aged
from models.fleet.drift import Quantity, drift_of_meters, swap_of_meters
from models.fleet.inference import Posterior
from models.metrology import Z90, Array, Index


@dataclass(frozen=True)
class AgeingRates:
    """How meters and groups age, 100·ln and years.

    meters  meter_id, group, drift (in the year to come), drift_sd, usual (what its group does),
            moved_sd (how far a meter of this record comes out from the usual), swap (mean step at
            its battery swaps), swap_sd, n_swaps
    groups  group, shape (a year; 0: a line), drift, drift_sd (of its meters' mean), swap, swap_sd
            (null: none of its meters had a swap)
    """

    meters: pl.DataFrame
    groups: pl.DataFrame


def ageing_rates(posterior: Posterior, t: float) -> AgeingRates:
    """Return how meters and groups age from t on (years since 1970)."""
    layout = posterior.layout
    devices, events = layout.devices, layout.events.swap
    drift, swap = drift_of_meters(posterior, t), swap_of_meters(posterior)
    n_swaps = np.bincount(events.device, minlength=len(devices.meters))
    meters = pl.DataFrame(
        {
            "meter_id": devices.meters,
            "group": [devices.groups[g] for g in devices.group],
            "drift": drift.mean,
            "drift_sd": np.sqrt(drift.variance(posterior)),
            "usual": drift.usual,
            "moved_sd": np.sqrt(np.maximum(drift.before - drift.own, 0.0)),
            "swap": swap.mean,
            "swap_sd": np.sqrt(swap.variance(posterior)),
            "n_swaps": n_swaps,
        }
    )
    rows = [_group(posterior, g, drift, swap, n_swaps) for g in range(len(devices.groups))]
    schema = ["group", "shape", "drift", "drift_sd", "swap", "swap_sd"]
    types = dict.fromkeys(schema[1:], pl.Float64)
    return AgeingRates(
        meters, pl.DataFrame(rows, schema={"group": pl.String, **types}, orient="row")
    )


def _group(
    posterior: Posterior, g: int, drift: Quantity, swap: Quantity, n_swaps: Index
) -> tuple[object, ...]:
    layout = posterior.layout
    mine = (layout.devices.group == g).astype(np.float64)
    swapped = mine * (n_swaps > 0)
    step = swap.mean_over(swapped, posterior) if swapped.any() else (None, None)
    return (
        layout.devices.groups[g],
        float(layout.shape[g]),
        *drift.mean_over(mine, posterior),
        *step,
    )


def group_course(posterior: Posterior, group: str, ages: Array) -> pl.DataFrame:
    """Return a group's change with age since new, battery swaps at its usual interval.

    In   ages: years
    Out  age_years, mean, lo90, hi90 (of the mean), meter_lo90, meter_hi90 (hold 90 % of its
         meters), 100·ln
    """
    layout, hyper, outlook = posterior.layout, posterior.hyper, posterior.outlook
    g, p = layout.devices.groups.index(group), layout.population
    mine = layout.devices.group == g
    rate = float(np.mean(1.0 / outlook.interval[mine])) if outlook.known else 0.0
    w, swaps = aged(ages, layout.shape[g]), rate * ages
    F = np.zeros((ages.size, posterior.state.design.n_shared))
    for column, x in ((p.drift, w), (p.drift_of[g], w), (p.swap, swaps), (p.swap_of[g], swaps)):
        if column >= 0:
            F[:, column] = x
    for bent, column in p.curves:
        if bent == g:
            F[:, column] = layout.curve_at(ages, g)
    mean = F @ posterior.state.mean
    variance = np.einsum("ai,ij,aj->a", F, posterior.state.C, F)
    own = hyper.line_covariance()[g, 1, 1] * w**2
    own += hyper.sd("walk")[g] ** 2 * ages + hyper.sd("swap")[g] ** 2 * swaps
    u, spread = np.sqrt(np.maximum(variance, 0.0)), np.sqrt(np.maximum(variance, 0.0) + own)
    ends = {"lo90": -u, "hi90": u, "meter_lo90": -spread, "meter_hi90": spread}
    return pl.DataFrame(
        {"age_years": ages, "mean": mean, **{k: mean + Z90 * x for k, x in ends.items()}}
    )
