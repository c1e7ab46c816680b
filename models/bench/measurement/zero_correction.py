"""What a meter showed with nothing on, at the moment of each reading."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from models.bench.measurement.readings import MASS, ZERO, Reading


class ZeroWeights(NamedTuple):
    """The zero of one reading as a weighted sum of zero readings; weights sum to one.

    drift_nm: change between the zeros before and after it, where both were read.
    """

    weights: tuple[tuple[int, float], ...]
    drift_nm: float = 0.0


def zeros_of(readings: Sequence[Reading]) -> list[Reading]:
    """The zero readings among a stage's."""
    return [r for r in readings if r.load == ZERO]


def correct(readings: Sequence[Reading]) -> list[ZeroWeights | None]:
    """Set zero_nm of every reading with a mass; weights index `zeros_of(readings)`.

    In   the readings of one stage
    Out  one entry a reading with a mass; all None where the stage has no zero reading

    The zero is the mean of the stage's zero readings. Those taken with the reading's arm and
    ring are preferred where zero readings name them; a reading with zeros both before and after
    it takes the value between, in proportion to its place.
    """
    zeros = zeros_of(readings)
    hung = [r for r in readings if r.load == MASS]
    if not zeros:
        return [None] * len(hung)
    placed = any(z.arm or z.chainring for z in zeros)
    positions = [r.position for r in hung]
    sides: dict[tuple[int, ...], _Sides | None] = {}
    found: list[ZeroWeights | None] = []
    chosen = list(range(len(zeros)))
    for reading in hung:
        if placed:
            chosen = _matching(reading, zeros)
        before = [k for k in chosen if zeros[k].position <= reading.position]
        key = (*chosen, -1, *before)
        if key not in sides:
            sides[key] = _sides(chosen, before, zeros, hung=positions)
        weights = _weights(reading.position, chosen, sides[key])
        reading.zero_nm = sum(w * zeros[k].torque_nm for k, w in weights.weights)
        found.append(weights)
    return found


def _matching(reading: Reading, zeros: Sequence[Reading]) -> list[int]:
    """The zeros that agree best in arm and ring: both, one, none named, and last any."""
    ranks = [_rank(reading, zero) for zero in zeros]
    best = max(ranks)
    return [k for k, rank in enumerate(ranks) if rank == best]


def _rank(reading: Reading, zero: Reading) -> int:
    """−1: taken elsewhere; else how many of arm and ring agree."""
    rank = 0
    for asked, given in ((reading.arm, zero.arm), (reading.chainring, zero.chainring)):
        if given is None:
            continue
        if asked is not None and asked != given:
            return -1
        rank += asked == given
    return rank


class _Sides(NamedTuple):
    """The zeros next before and next after a reading: indices, mean position, change between."""

    before: list[int]
    after: list[int]
    start: float
    end: float
    drift_nm: float


def _sides(
    chosen: Sequence[int], before: list[int], zeros: Sequence[Reading], *, hung: Sequence[float]
) -> _Sides | None:
    after = [k for k in chosen if k not in before]
    if not (before and after):
        return None
    last, following = _run_before(before, zeros, hung), _run_after(after, zeros, hung)
    drift = _mean([zeros[k].torque_nm for k in following]) - _mean(
        [zeros[k].torque_nm for k in last]
    )
    start = _mean([zeros[k].position for k in last])
    end = _mean([zeros[k].position for k in following])
    return _Sides(last, following, start, end, drift)


def _weights(position: float, chosen: Sequence[int], sides: _Sides | None) -> ZeroWeights:
    if sides is None:
        return ZeroWeights(tuple((k, 1 / len(chosen)) for k in chosen))
    share = (position - sides.start) / (sides.end - sides.start)
    weights = [(k, (1 - share) / len(sides.before)) for k in sides.before]
    weights += [(k, share / len(sides.after)) for k in sides.after]
    return ZeroWeights(tuple(weights), sides.drift_nm)


def _run_before(chosen: list[int], zeros: Sequence[Reading], hung: Sequence[float]) -> list[int]:
    """The last zeros before a reading, back to the last reading with a mass before them."""
    last = max(zeros[k].position for k in chosen)
    since = max((h for h in hung if h < last), default=float("-inf"))
    return [k for k in chosen if zeros[k].position > since]


def _run_after(chosen: list[int], zeros: Sequence[Reading], hung: Sequence[float]) -> list[int]:
    """The first zeros after a reading, up to the next reading with a mass after them."""
    first = min(zeros[k].position for k in chosen)
    until = min((h for h in hung if h > first), default=float("inf"))
    return [k for k in chosen if zeros[k].position < until]


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)
