"""Array types and the few index tricks that the fleet model's files share."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from models.metrology import Array, Index


def codes(values: list[Any]) -> tuple[Index, list[Any]]:
    """Integer code of each value (None: -1) and the distinct values in order of appearance."""
    known: dict[Any, int] = {}
    coded = [(-1 if v is None else known.setdefault(v, len(known))) for v in values]
    return np.array(coded, dtype=np.int64), list(known)


def rows_of_each(code: Index) -> Iterator[tuple[int, Index]]:
    """Each code ≥ 0 with the rows that carry it."""
    order = np.argsort(code, kind="stable")
    if not len(code):
        return
    values, starts = np.unique(code[order], return_index=True)
    for value, rows in zip(values, np.split(order, starts[1:]), strict=True):
        if value >= 0:
            yield int(value), rows


def from_the_end(x: Array, axis: int = -1) -> Array:
    """Cumulative sums from the end: out[k] = x[k] + x[k+1] + …"""
    return np.flip(np.cumsum(np.flip(x, axis), axis), axis)


def corner_sums(M: Array) -> Array:
    """For symmetric M [B, n, n]: the sums over i ≥ k and j ≥ k, [B, n]."""
    diagonal = np.einsum("bii->bi", M)
    rows = from_the_end(M, -1)  # rows[b, k, j] = Σ_{l ≥ j} M[k, l]
    right = np.einsum("bii->bi", rows) - diagonal  # Σ_{l > k} M[k, l]
    return from_the_end(diagonal + 2 * right)
