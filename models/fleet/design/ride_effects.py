"""Place the ride effects: what comparisons show of a meter and the bench does not.

An effect that the observations of one block alone carry is a part of that block's covariance; only
the others are shared effects. So a fleet's shared effects do not grow with its riders.
"""

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import polars as pl

from models.fleet.design.arrays import codes
from models.fleet.design.settings import FleetSettings
from models.metrology import Array, Index, Mask


@dataclass
class RideEffects:
    """The effects, and the observations that carry them.

    names, kinds     of each effect; kinds as in FleetData
    row, code, sign  of each time an observation carries one: its row, the effect's place in
                     `names`, and the sign with which it enters the observation's value
    own              whether one block's observations alone carry an effect, [effects]
    """

    names: list[str]
    kinds: list[str]
    row: Index
    code: Index
    sign: Array
    own: Mask = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))

    @cached_property
    def kind(self) -> Index:
        """Return each effect's kind as its place in KINDS_OF_RIDES."""
        return np.array([KINDS_OF_RIDES.index(kind) for kind in self.kinds], dtype=np.int64)

    def of_rows(self, rows: slice) -> "RideEffects":
        """Return what consecutive observations carry, counted from the first of them."""
        chosen = (self.row >= rows.start) & (self.row < rows.stop)
        return self._chosen(chosen, self.row[chosen] - rows.start)

    def some(self, rows: Index) -> "RideEffects":
        """Return what some observations carry, by their rows, ascending, counted among them."""
        chosen = np.isin(self.row, rows)
        return self._chosen(chosen, np.searchsorted(rows, self.row[chosen]))

    def _chosen(self, chosen: Mask, row: Index) -> "RideEffects":
        return replace(self, row=row, code=self.code[chosen], sign=self.sign[chosen])

    def of_blocks(self, owner: Index) -> "RideEffects":
        """Return them, those marked as own that one block alone carries, once an observation."""
        n = len(self.names)
        low, high = np.full(n, len(owner)), np.full(n, -1)
        np.minimum.at(low, self.code, owner[self.row])
        np.maximum.at(high, self.code, owner[self.row])
        own = low == high
        once = self.row * len(KINDS_OF_RIDES) + self.kind[self.code]
        _, which, count = np.unique(once, return_inverse=True, return_counts=True)
        own[self.code[count[which] > 1]] = False
        return replace(self, own=own)

    def own_of(self, kind: str, n: int) -> tuple[Index, Array]:
        """Return each of n observations' own effect of a kind (−1: none), and its sign."""
        code, sign = np.full(n, -1, dtype=np.int64), np.zeros(n)
        if self.own.any():
            these = self.own[self.code] & (self.kind[self.code] == KINDS_OF_RIDES.index(kind))
            code[self.row[these]], sign[self.row[these]] = self.code[these], self.sign[these]
        return code, sign


RIDER = "rider"
KINDS_OF_RIDES = ("ring", RIDER, "day", "drive")


def stated_sds(settings: FleetSettings) -> dict[str, float]:
    """Return the prior sds, 100·ln, of the kinds whose spread is not estimated."""
    return {"ring": settings.ring_sd, "day": settings.balance_sd, "drive": settings.drive_sd}


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
