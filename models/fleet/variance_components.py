"""Split the variance of a year's change, of a session and of a comparison into its parts.

A hyperparameter by itself says little; beside the others it says where a team's uncertainty
comes from, and so what would lessen it.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import polars as pl

from ingest.schema import frame_schema
from models.fleet.design import Prepared
from models.fleet.inference import Hyper, SwapOutlook
from models.metrology import Array

CHANGE, SESSION, COMPARISON = "change in a year", "bench session", "ride comparison"
DRAWS = 2000
ESTIMATED = {
    "drift": (CHANGE, "ageing unlike the group's mean"),
    "walk": (CHANGE, "wandering"),
    "swap": (CHANGE, "battery swaps unlike their mean step"),
    "bench": (SESSION, "beyond the stated budget"),
    "pair": (COMPARISON, "constant for the pair of devices"),
    "ride": (COMPARISON, "beyond the stated uncertainty"),
}


class _Part(NamedTuple):
    """A row of the frame."""

    group: str
    of: str
    part: str
    sd: float
    sd_lo90: float | None
    sd_hi90: float | None
    share: float
    share_lo90: float
    share_hi90: float


SCHEMA = frame_schema(_Part)


def variance_component_frame(
    prepared: Prepared, hyper: Hyper, swaps: SwapOutlook, *, rng: np.random.Generator
) -> pl.DataFrame:
    """Return each part's standard deviation and share of the variance, with 90 % intervals.

    In   swaps: how often each meter's battery is swapped; not known: that part is left out
    Out  group, of (what the parts add up to), part, sd (100·ln), sd_lo90, sd_hi90 (null: stated,
         not estimated), share (0 … 1), share_lo90, share_hi90. Intervals by draws from the
         normal approximation of the working values (log sds) at the fit's information.
    """
    draws = _draws(hyper, rng)
    rows = [
        row
        for g, group in enumerate(hyper.groups)
        for of, parts in _by_whole(prepared, hyper, draws, g, swaps).items()
        for row in _rows(group, of, parts)
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _draws(hyper: Hyper, rng: np.random.Generator) -> Array:
    """Draw working values, [1 + draws, parameters]; the first row is the estimate itself."""
    out = np.tile(hyper.values, (DRAWS + 1, 1))
    if hyper.covariance is not None and hyper.active.any():
        values, vectors = np.linalg.eigh(hyper.covariance)
        root = vectors * np.sqrt(np.clip(values, 0.0, 4.0))
        standard = rng.standard_normal((DRAWS, len(values)))
        out[1:, hyper.active] += standard @ root.T
    return out


def _by_whole(
    prepared: Prepared, hyper: Hyper, draws: Array, group: int, swaps: SwapOutlook
) -> dict[str, dict[str, Array]]:
    """Return the parts' variances, [1 + draws] each; those of stated parts do not vary."""
    wholes: dict[str, dict[str, Array]] = {CHANGE: {}, SESSION: {}, COMPARISON: {}}
    for of, part, variance in _stated(prepared, group):
        wholes[of][part] = np.full(len(draws), variance)
    own = prepared.devices.group == group
    swaps_a_year = float(np.mean(1.0 / swaps.interval[own])) if swaps.known else 0.0
    for kind, (of, part) in ESTIMATED.items():
        if of != CHANGE and not wholes[of]:
            continue  # the group has no such record
        value = draws[:, hyper.index(kind, group)]
        times = swaps_a_year if kind == "swap" else 1.0
        wholes[of][part] = times * np.exp(2.0 * np.minimum(value, 20.0))
    return {of: parts for of, parts in wholes.items() if parts}


def _stated(prepared: Prepared, group: int) -> Iterator[tuple[str, str, float]]:
    """Yield what the records state themselves: the median variance of the group's own."""
    obs, devices = prepared.obs, prepared.devices
    own = devices.group[obs.owner] == group
    bench, rides = own & obs.is_bench, own & ~obs.is_bench
    if bench.any():
        yield SESSION, "the session's own budget", float(np.median(obs.u2[bench]))
        yield SESSION, "the crank's length", float(np.median(obs.u_crank[bench] ** 2))
        for code, u, name in (
            (obs.bench, devices.bench_u, "the mass set"),
            (obs.place, devices.place_u, "the place's gravity"),
        ):
            known = code[bench][code[bench] >= 0]
            yield SESSION, name, float(np.median(u[known] ** 2)) if known.size else 0.0
    if rides.any():
        yield COMPARISON, "the comparison's own uncertainty", float(np.median(obs.u2[rides]))


def _rows(group: str, of: str, parts: dict[str, Array]) -> Iterator[_Part]:
    total = np.sum(list(parts.values()), axis=0)
    for part, variance in parts.items():
        if not variance[0] > 0:
            continue
        sd, share = np.sqrt(variance), variance / total
        varies = len(sd) > 1 and float(np.ptp(sd)) > 0
        low, high = np.quantile(sd[1:], [0.05, 0.95]).tolist() if varies else (None, None)
        share_low, share_high = np.quantile(share[1:], [0.05, 0.95]).tolist()
        yield _Part(
            group, of, part, float(sd[0]), low, high, float(share[0]), share_low, share_high
        )
