"""Give the shared effects their priors: what several meters' observations have in common.

Group means, drifts and battery steps, temperature coefficients, references and their random
walks on knots, mass sets, places, cranks used by several meters, and the whole course of a
meter that is itself a reference. Each is a column of the design with a normal prior.
"""

from dataclasses import dataclass, field

import numpy as np

from models.metrology import Array, Index

Key = tuple[str, int]
"""A hyperparameter: its kind, and the group (−1: the fleet)."""


@dataclass
class Part:
    """Consecutive columns under one prior.

    form   "scaled": independent, sd = `sd` times the hyperparameter's (if there is one);
           "walk": a random walk on knots `dt` apart, starting from zero;
           "line": a meter's start and drift, correlated as the group's are
    """

    form: str
    first: int
    n: int
    key: Key | None = None
    sd: Array = field(default_factory=lambda: np.ones(1))
    dt: Array = field(default_factory=lambda: np.zeros(0))

    @property
    def columns(self) -> slice:
        """Return where its columns are."""
        return slice(self.first, self.first + self.n)


@dataclass
class Walk:
    """A random walk on knots: zero at knots[0], column first + k − 1 at knots[k]."""

    knots: Array
    first: int
    key: Key

    def weights(self, t: Array) -> tuple[Index, Array, Index, Array]:
        """Return two columns and weights for each instant: (c1, w1, c2, w2); column −1: none."""
        if len(self.knots) == 1:
            none = np.full(len(t), -1, dtype=np.int64)
            return none, np.zeros(len(t)), none, np.zeros(len(t))
        right: Index = np.clip(np.searchsorted(self.knots, t), 1, len(self.knots) - 1)
        lo, hi = self.knots[right - 1], self.knots[right]
        share = np.clip((t - lo) / (hi - lo), 0.0, 1.0)
        left_column = np.where(right == 1, -1, self.first + right - 2)
        w_left = np.where(right == 1, 0.0, 1 - share)
        return left_column, w_left, self.first + right - 1, share

    def bridge_covariance(self, t: Array, s: Array) -> Array:
        """Return the covariance over q between t and s, elementwise, that the knots leave open.

        Between two knots a Brownian bridge, before the first and after the last a free walk.
        """
        first, last = self.knots[0], self.knots[-1]
        after = np.maximum(np.minimum(t, s) - last, 0.0)
        before = np.maximum(first - np.maximum(t, s), 0.0)
        if len(self.knots) == 1:
            free: Array = after + before
            return free
        i = np.clip(np.searchsorted(self.knots, t, side="left"), 1, len(self.knots) - 1)
        j = np.clip(np.searchsorted(self.knots, s, side="left"), 1, len(self.knots) - 1)
        lo, hi = self.knots[i - 1], self.knots[i]
        inner = np.maximum(np.minimum(t, s) - lo, 0.0) * np.maximum(hi - np.maximum(t, s), 0.0)
        total: Array = after + before + np.where(i == j, inner / (hi - lo), 0.0)
        return total


class Entries:
    """Design entries (row, column, value) that are being collected."""

    def __init__(self) -> None:
        self._rows: list[Index] = []
        self._columns: list[Index] = []
        self._values: list[Array] = []

    def add(self, rows: Index, columns: Index | int, values: Array | float) -> None:
        """Add entries, without columns < 0 and zero values."""
        c = np.broadcast_to(np.asarray(columns, dtype=np.int64), rows.shape)
        v = np.broadcast_to(np.asarray(values, dtype=np.float64), rows.shape)
        keep = (c >= 0) & (v != 0)
        self._rows.append(rows[keep])
        self._columns.append(c[keep])
        self._values.append(v[keep])

    def joined(self) -> tuple[Index, Index, Array]:
        """Return rows, columns and values of all entries."""
        if not self._rows:
            none = np.zeros(0, dtype=np.int64)
            return none, none, np.zeros(0)
        return (
            np.concatenate(self._rows),
            np.concatenate(self._columns),
            np.concatenate(self._values),
        )


def knots_for(t: Array, spacing: float, *, origin: float | None = None) -> Array:
    """Choose knots among instants of use, `spacing` years apart or more; first and last always."""
    used = np.unique(t)
    if len(used) == 0:
        return np.array([0.0 if origin is None else origin])
    start = used[0] if origin is None else min(origin, used[0])
    knots = [start]
    while True:
        k = int(np.searchsorted(used, knots[-1] + spacing, side="left"))
        if k >= len(used):
            break
        knots.append(float(used[k]))
    if used[-1] > knots[-1]:
        knots.append(float(used[-1]))
    return np.array(knots)
