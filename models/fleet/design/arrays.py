"""Group rows by a code, and sum arrays from the end: what the fleet model's files share."""

from collections.abc import Hashable, Iterator, Sequence
from typing import TypeVar

import numpy as np

from models.metrology import Array, Index

Value = TypeVar("Value", bound=Hashable)


def codes(values: Sequence[Value | None]) -> tuple[Index, list[Value]]:
    """Return each value's integer code (None: −1) and the distinct values, first seen first."""
    known: dict[Value, int] = {}
    coded = [(-1 if v is None else known.setdefault(v, len(known))) for v in values]
    return np.array(coded, dtype=np.int64), list(known)


def rows_of_each(code: Index) -> Iterator[tuple[int, Index]]:
    """Yield each code ≥ 0 with the rows that carry it, both ascending."""
    order = np.argsort(code, kind="stable")
    if not len(code):
        return
    values, starts = np.unique(code[order], return_index=True)
    for value, rows in zip(values, np.split(order, starts[1:]), strict=True):
        if value >= 0:
            yield int(value), rows


def from_the_end(x: Array, axis: int = -1) -> Array:
    """Return reverse cumulative sums: out[k] = x[k] + x[k+1] + …"""
    return np.flip(np.cumsum(np.flip(x, axis), axis), axis)


def corner_sums(M: Array) -> Array:
    """Return for each symmetric M [B, n, n] its sums over i ≥ k and j ≥ k, [B, n]."""
    diagonal = np.einsum("bii->bi", M)
    rows = from_the_end(M, -1)  # rows[b, k, j] = Σ_{l ≥ j} M[k, l]
    right = np.einsum("bii->bi", rows) - diagonal  # Σ_{l > k} M[k, l]
    return from_the_end(diagonal + 2 * right)
