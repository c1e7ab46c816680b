"""Effects of the road on comparisons: what rides see of a meter and the bench does not."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.fleet.design.arrays import codes
from models.metrology import Array, Index, Mask


@dataclass
class Road:
    """Effects by name and kind, and where they enter: observation, effect, sign of its value."""

    names: list[str]
    kinds: list[str]
    row: Index
    code: Index
    sign: Array


def no_road() -> Road:
    """No such effects."""
    none = np.zeros(0, dtype=np.int64)
    return Road([], [], none, none, np.zeros(0))


def road_of(road: pl.DataFrame, names: list[str], *, is_bench: Mask, sign: Array) -> Road:
    """Effects of the comparisons that are among the observations.

    In   road: see FleetData; names, is_bench, sign: of the observations, in their order
    """
    at = {name: i for i, name in enumerate(names) if not is_bench[i]}
    known = road.filter(pl.col("comparison_id").is_in(list(at)) & pl.col("effect").is_not_null())
    if known.is_empty():
        return no_road()
    code, effects = codes(list(known.select("kind", "effect").iter_rows()))
    row = np.array([at[name] for name in known["comparison_id"].to_list()], dtype=np.int64)
    return Road(
        [effect for _, effect in effects],
        [kind for kind, _ in effects],
        row,
        code,
        known["sign"].fill_null(1.0).to_numpy() * sign[row],
    )
