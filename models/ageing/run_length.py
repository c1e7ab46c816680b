"""Compute run lengths of control charts on N(shift, 1) values, and limits that give them.

The average run length (ARL) is the expected number of points up to and including the first one
that signals, started at zero. Shewhart's is exact; EWMA's and CUSUM's solve the integral
equation of the run length by Gauss–Legendre quadrature.

Source: Crowder (1987), Technometrics 29:401 (EWMA); Brook & Evans (1972), Biometrika 59:539, and
     Lucas & Crosier (1982), Technometrics 24:199 (CUSUM).
Legend  c, h: limits; k: kernel of one step; w: quadrature weights; f: density of the statistic
        on the nodes, over runs that have not signalled yet.
"""

from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import Literal

import numpy as np

from models.metrology import Array

Chart = Literal["individuals", "ewma", "cusum"]

_LARGEST_ARL = 1e9


def shewhart_arl(limit: float, *, shift: float = 0.0) -> float:
    """Return the ARL of single values against ±limit (in sd), mean moved by shift (in sd)."""
    from scipy.special import ndtr

    return float(1.0 / (ndtr(-limit - shift) + ndtr(-limit + shift)))


def shewhart_limit(arl: float) -> float:
    """Return the ±limit in sd that gives an in-control ARL: 3 sd for 370.4."""
    from scipy.special import ndtri

    return float(-ndtri(0.5 / _sensible(arl)))


@lru_cache(maxsize=4096)
def ewma_arl(weight: float, limit: float, *, shift: float = 0.0) -> float:
    """Return the ARL of z ← (1 − weight)·z + weight·x against ±limit·√(weight/(2 − weight)).

    weight in (0, 1]; limit in sd of the statistic; shift in sd of one value.
    """
    nodes, w = _ewma_grid(weight, limit)
    kernel = _ewma_kernel(nodes, nodes, weight, shift) * w
    at_nodes = np.linalg.solve(np.eye(nodes.size) - kernel, np.ones(nodes.size))
    first = _ewma_kernel(np.zeros(1), nodes, weight, shift)[0] * w
    return float(1.0 + first @ at_nodes)


@lru_cache(maxsize=1024)
def ewma_limit(weight: float, arl: float) -> float:
    """Return the limit, in sd of the EWMA, that gives an in-control ARL (1 < arl ≤ 1e9)."""
    return _solve(lambda limit: ewma_arl(weight, limit), arl, upper=7.0)


@lru_cache(maxsize=4096)
def cusum_arl(
    reference: float, limit: float, *, shift: float = 0.0, sides: Literal[1, 2] = 2
) -> float:
    """Return the ARL of S ← max(0, S + x − reference), signal when S > limit (in sd of a value).

    Two sides: the upper and the lower sum together, 1/ARL = 1/ARL⁺ + 1/ARL⁻, exact for sums
    without head start.
    """
    upper = _cusum_one_sided(reference, limit, shift)
    if sides == 1:
        return upper
    return 1.0 / (1.0 / upper + 1.0 / _cusum_one_sided(reference, limit, -shift))


@lru_cache(maxsize=1024)
def cusum_limit(reference: float, arl: float) -> float:
    """Return the limit of the two-sided CUSUM, in sd of one value, for an in-control ARL."""
    return _solve(lambda limit: cusum_arl(reference, limit), arl, upper=60.0)


def survival(chart: Chart, parameter: float, limit: float, means: Iterable[float]) -> Array:
    """Return the probability of no signal up to and with each point, the mean moving as given.

    chart: individuals (parameter unused), ewma (parameter = weight; both limits), cusum
    (parameter = reference; the upper sum alone, which is the one a rise of the mean moves).
    means: mean of each point in sd. Out: one probability a point; Σ over a run long enough,
    plus 1, is the ARL under that course of the mean.
    """
    from scipy.special import ndtr

    course = np.array(list(means), dtype=np.float64)
    if chart == "individuals":
        inside: Array = ndtr(limit - course) - ndtr(-limit - course)
        return np.cumprod(inside, dtype=np.float64)
    if chart == "ewma":
        return _ewma_survival(parameter, limit, course)
    return _cusum_survival(parameter, limit, course)


@lru_cache(maxsize=64)
def _legendre(order: int) -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(order)
    return nodes, weights


def _normal_density(x: Array) -> Array:
    density: Array = np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi)
    return density


def _ewma_grid(weight: float, limit: float) -> tuple[Array, Array]:
    """Return nodes and weights over ±c, about four to a standard deviation of the kernel."""
    c = limit * np.sqrt(weight / (2.0 - weight))
    order = int(np.clip(np.ceil(8.0 * c / weight), 32, 400))
    nodes, weights = _legendre(order)
    return c * nodes, c * weights


def _ewma_kernel(start: Array, end: Array, weight: float, shift: float) -> Array:
    moved = (end[None, :] - (1.0 - weight) * start[:, None]) / weight
    return _normal_density(moved - shift) / weight


def _cusum_grid(limit: float) -> tuple[Array, Array]:
    """Return nodes and weights over (0, h)."""
    order = int(np.clip(np.ceil(8.0 * limit), 32, 400))
    nodes, weights = _legendre(order)
    return 0.5 * limit * (nodes + 1.0), 0.5 * limit * weights


def _cusum_step(states: Array, nodes: Array, w: Array, drift: float) -> Array:
    """Return, by state, the probability of falling to zero and the weighted density at nodes.

    drift: mean of one value less the reference.
    """
    from scipy.special import ndtr

    to_zero = ndtr(-drift - states)[:, None]
    density = _normal_density(nodes[None, :] - states[:, None] - drift) * w
    return np.hstack([to_zero, density])


def _cusum_one_sided(reference: float, limit: float, shift: float) -> float:
    nodes, w = _cusum_grid(limit)
    states = np.concatenate([[0.0], nodes])
    step = _cusum_step(states, nodes, w, shift - reference)
    arl = np.linalg.solve(np.eye(states.size) - step, np.ones(states.size))
    return float(arl[0])


def _ewma_survival(weight: float, limit: float, course: Array) -> Array:
    nodes, w = _ewma_grid(weight, limit)
    kept = np.empty(course.size)
    mass, states = np.ones(1), np.zeros(1)
    for point, mean in enumerate(course):
        mass = (mass @ _ewma_kernel(states, nodes, weight, mean)) * w
        states = nodes
        kept[point] = mass.sum()
    return kept


def _cusum_survival(reference: float, limit: float, course: Array) -> Array:
    nodes, w = _cusum_grid(limit)
    states = np.concatenate([[0.0], nodes])
    mass = np.zeros(states.size)
    mass[0] = 1.0
    kept = np.empty(course.size)
    for point, mean in enumerate(course):
        mass = mass @ _cusum_step(states, nodes, w, mean - reference)
        kept[point] = mass.sum()
    return kept


def _sensible(arl: float) -> float:
    if not 1.0 < arl <= _LARGEST_ARL:
        raise ValueError(
            f"average run length: found {arl:g}, expected more than 1 and at most "
            f"{_LARGEST_ARL:g} points. Ask for more or fewer false alarms."
        )
    return arl


def _solve(run_length: Callable[[float], float], arl: float, *, upper: float) -> float:
    """Return the limit at which the run length, rising in it, reaches arl."""
    target = np.log(_sensible(arl))
    lower = 1e-6
    if run_length(lower) >= arl:
        return lower

    def gap(limit: float) -> float:
        reached = run_length(limit)
        # Far beyond the largest ARL the linear system is singular to rounding.
        return float(np.log(reached if 0 < reached < 1e14 else 1e14) - target)

    from scipy.optimize import brentq

    return float(brentq(gap, lower, _bracket(gap, upper), xtol=1e-10, rtol=1e-12))


def _bracket(gap: Callable[[float], float], upper: float) -> float:
    limit = 1.0
    while gap(limit) < 0 and limit < upper:
        limit *= 1.3
    return limit
