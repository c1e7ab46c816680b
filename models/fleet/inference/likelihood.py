"""Evaluate the fleet's marginal likelihood.

With V the blocks' covariance, A the design of the shared effects u ~ N(0, K) and P the inverse
of V + A K A' (flat effects: the restricted likelihood's P):

    log L = −½ (Σ log|V_i| + log|K| + log|K⁻¹ + A'V⁻¹A| + y'Py + n log 2π)

Only the diagonal blocks of P are ever formed.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from scipy.linalg import lapack

from models.fleet.design import Batch, Design, Parts, Sliced
from models.fleet.inference.covariance import Scales, block_covariance
from models.fleet.inference.hyper import Hyper
from models.fleet.inference.shared_prior import Factor, SharedPrior
from models.metrology import Array

Found = TypeVar("Found")
_LOG_2PI = float(np.log(2 * np.pi))


@dataclass
class BlockState:
    """A batch at given hyperparameters. alpha: P y; P: its diagonal blocks, 0 where padded."""

    scales: Scales
    Vinv: Array
    VinvA: Array
    alpha: Array
    P: Array


@dataclass
class Solved:
    """A batch before the rest of the fleet is heard: V⁻¹, V⁻¹A and V⁻¹y."""

    scales: Scales
    Vinv: Array
    VinvA: Array
    Vinvy: Array


@dataclass
class Sums:
    """What blocks tell of the shared effects.

    squares: A'V⁻¹A [n_shared + 1, n_shared + 1] (the last: padding); h: A'V⁻¹y; log_det: Σ log|V|;
    quadratic: y'V⁻¹y; n_obs: how many observations
    """

    squares: Array
    h: Array
    log_det: float = 0.0
    quadratic: float = 0.0
    n_obs: int = 0

    def __add__(self, other: "Sums") -> "Sums":
        """Return the sums of both."""
        pairs = zip(self.parts(), other.parts(), strict=True)
        return Sums(*(a + b for a, b in pairs))

    def parts(self) -> tuple[Any, ...]:
        """Return all that is summed up."""
        return self.squares, self.h, self.log_det, self.quadratic, self.n_obs


@dataclass
class State:
    """The whole fleet at given hyperparameters: posterior of the shared effects, all blocks.

    The shared effects' covariance and the blocks are made when first asked for: a trial step
    needs the likelihood alone. Where workers keep the blocks, `solved` is empty here and `parts`
    are theirs; a part of a fleet is a state of its own, which knows the whole fleet's shared
    effects by their mean and covariance.
    """

    hyper: Hyper
    design: Design
    mean: Array
    solved: list[Solved]
    prior: SharedPrior | None = None
    factor: Factor | None = None
    log_likelihood: float = 0.0
    parts: Parts | None = None

    @property
    def precision(self) -> Factor:
        """Return the shared effects' precision, of a whole fleet."""
        assert self.factor is not None
        return self.factor

    @cached_property
    def C(self) -> Array:
        """Return the shared effects' covariance, [n_shared, n_shared]."""
        return self.precision.inverse()

    @cached_property
    def blocks(self) -> list[BlockState]:
        """Return the state of each batch."""
        padded_C = np.pad(self.C, (0, 1)).ravel()
        return [
            _block_state(batch, part, self.mean, padded_C)
            for batch, part in zip(self.design.batches, self.solved, strict=True)
        ]

    def each(
        self, work: Callable[..., Found], *args: Any, rows: Sequence[Sliced] = ()
    ) -> list[Found]:
        """Return `work(state, *args, …)` of each part of the fleet, in the observations' order.

        rows: further arguments, a row an observation, of which each part gets its own
        """
        if self.parts is None:
            return [work(self, *args, *rows)]
        return self._finished.each(work, *args, rows=rows)

    @property
    def first_rows(self) -> list[int]:
        """Return the first observation of each part."""
        return [0] if self.parts is None else [rows.start for rows in self.parts.rows]

    @cached_property
    def _finished(self) -> Parts:
        """Return the parts' states, with what the whole fleet says of the shared effects."""
        assert self.parts is not None
        assert self.design.parts is not None
        return self.design.parts.beside(self.parts, _part_of, self.hyper, self.mean, self.C)

    def __sizeof__(self) -> int:
        """Return how many bytes its blocks take: who moves them looks at that first."""
        return sum(x.Vinv.nbytes + x.VinvA.nbytes for x in self.solved)


def _part_of(
    design: Design, found: tuple[list[Solved], Sums], hyper: Hyper, mean: Array, C: Array
) -> State:
    state = State(hyper, design, mean, found[0])
    state.__dict__["C"] = C
    return state


def evaluate(
    design: Design, hyper: Hyper, *, keep: bool = True, beside: Sums | None = None
) -> State:
    """Return the posterior of the shared effects and P y, at given hyperparameters.

    keep: have the blocks as well, not the likelihood and the shared effects alone
    beside: what blocks tell that the design does not have
    LinAlgError: a covariance is not positive definite there.
    """
    n = design.n_shared
    prior = SharedPrior(design.layout.parts, hyper, n)
    solved, parts, sums = _solved(design, hyper, keep=keep)
    if beside is not None:
        sums += beside
    factor = Factor(sums.squares[:n, :n] + prior.precision)
    h = sums.h[:n]
    mean = factor.solve(h)
    total = sums.log_det + factor.log_det + prior.log_det + sums.quadratic - float(h @ mean)
    total += (sums.n_obs - prior.n_flat) * _LOG_2PI
    return State(hyper, design, mean, solved, prior, factor, -0.5 * total, parts)


def block_sums(design: Design, hyper: Hyper) -> Sums:
    """Return what a design's blocks tell of the shared effects; LinAlgError: as `evaluate`."""
    return _solved(design, hyper, keep=False)[2]


def _solved(design: Design, hyper: Hyper, *, keep: bool) -> tuple[list[Solved], Parts | None, Sums]:
    """Return the blocks, or the workers' parts that hold them, and what they tell."""
    if design.parts is None:
        solved, sums = solve_blocks(design, hyper, keep=keep)
        return solved, None, sums
    parts = design.parts.then(solve_blocks, hyper)
    first, *others = parts.each(_sums_of)
    return [], parts, sum(others, first)


def _sums_of(found: tuple[list[Solved], Sums]) -> Sums:
    return found[1]


def solve_blocks(design: Design, hyper: Hyper, *, keep: bool = True) -> tuple[list[Solved], Sums]:
    """Return a design's blocks at given hyperparameters, and what they tell of the shared effects.

    LinAlgError: a covariance is not positive definite there.
    """
    n = design.n_shared + 1
    squares, h = np.zeros(n * n), np.zeros(n)
    log_det, quadratic, n_obs = 0.0, 0.0, 0
    solved: list[Solved] = []
    for batch in design.batches:
        scales = Scales(hyper, batch)
        Vinv, log_V = _inverse(block_covariance(batch, scales))
        VinvA, Vinvy = Vinv @ batch.A, np.einsum("bij,bj->bi", Vinv, batch.y)
        np.add.at(squares, batch.pairs(n), (batch.A.transpose(0, 2, 1) @ VinvA).ravel())
        hit = np.einsum("bnc,bn->bc", batch.A, Vinvy)
        h += np.bincount(batch.columns.ravel(), weights=hit.ravel(), minlength=n)
        log_det += log_V
        quadratic += float(np.sum(batch.y * Vinvy))
        n_obs += int(batch.mask.sum())
        if keep:
            solved.append(Solved(scales, Vinv, VinvA, Vinvy))
    return solved, Sums(squares.reshape(n, n), h, log_det, quadratic, n_obs)


def _inverse(V: Array) -> tuple[Array, float]:
    """Return the inverses of a batch of covariances and the sum of their log determinants."""
    L = np.linalg.cholesky(V)
    log_det = 2 * float(np.sum(np.log(np.einsum("bii->bi", L))))
    upper = L.transpose(0, 2, 1)
    for each in upper:  # in the order that LAPACK works in, so each is inverted in its place
        lapack.dtrtri(each, lower=0, overwrite_c=1)
    return upper @ L, log_det


def _block_state(batch: Batch, part: Solved, mean: Array, padded_C: Array) -> BlockState:
    alpha = part.Vinvy - np.einsum("bnc,bc->bn", part.VinvA, padded(mean, batch))
    n, c = len(mean) + 1, batch.columns.shape[1]
    C = padded_C.take(batch.pairs(n)).reshape(-1, c, c)
    P = part.VinvA @ C @ part.VinvA.transpose(0, 2, 1)
    np.subtract(part.Vinv, P, out=P)
    P *= batch.mask[:, :, None] * batch.mask[:, None, :]
    return BlockState(part.scales, part.Vinv, part.VinvA, alpha, P)


def padded(v: Array, batch: Batch) -> Array:
    """Return a vector over the shared effects at each block's columns, [B, c]; 0 at the dummy."""
    return np.append(v, 0.0)[batch.columns]
