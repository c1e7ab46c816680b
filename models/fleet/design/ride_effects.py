"""Place the ride effects: what comparisons show of a meter and the bench does not."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.fleet.design.arrays import codes
from models.metrology import Array, Index, Mask


@dataclass
class RideEffects:
    """The effects, and the observations that carry them.

    names, kinds     of each effect; kinds as in FleetData
    row, code, sign  of each time an observation carries one: its row, the effect's place in
                     `names`, and the sign with which it enters the observation's value
    """

    names: list[str]
    kinds: list[str]
    row: Index
    code: Index
    sign: Array

    def of_rows(self, rows: slice) -> "RideEffects":
        """Return what consecutive observations carry, counted from the first of them."""
        own = (self.row >= rows.start) & (self.row < rows.stop)
        row = self.row[own] - rows.start
        return RideEffects(self.names, self.kinds, row, self.code[own], self.sign[own])

    def some(self, rows: Index) -> "RideEffects":
        """Return what some observations carry, by their rows, ascending, counted among them."""
        own = np.isin(self.row, rows)
        row = np.searchsorted(rows, self.row[own])
        return RideEffects(self.names, self.kinds, row, self.code[own], self.sign[own])


def no_ride_effects() -> RideEffects:
    """Return none."""
    none = np.zeros(0, dtype=np.int64)
    return RideEffects([], [], none, none, np.zeros(0))


def ride_effects_of(
    frame: pl.DataFrame, names: list[str], *, is_bench: Mask, sign: Array
) -> RideEffects:
    """Return the effects of the comparisons that are among the observations.

    In   frame: FleetData.ride_effects; names, is_bench, sign: of the observations, in their order
    """
    at = {name: i for i, name in enumerate(names) if not is_bench[i]}
    known = frame.filter(pl.col("comparison_id").is_in(list(at)) & pl.col("effect").is_not_null())
    if known.is_empty():
        return no_ride_effects()
    code, effects = codes(list(known.select("kind", "effect").iter_rows()))
    row = np.array([at[name] for name in known["comparison_id"].to_list()], dtype=np.int64)
    return RideEffects(
        [effect for _, effect in effects],
        [kind for kind, _ in effects],
        row,
        code,
        known["sign"].fill_null(1.0).to_numpy() * sign[row],
    )
