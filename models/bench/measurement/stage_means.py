"""What a stage of a session says: mean ratio of shown to expected torque, and differences.

Readings with the same arm and ring are one **cell**; the stage's gain is the mean of the cell
means, so that a cell read twice does not count twice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

from models.bench.measurement.kinds import LEFT, RIGHT
from models.bench.measurement.readings import MASS, Reading, Session
from models.bench.measurement.zero_correction import ZeroWeights, correct, zeros_of
from models.metrology import deviation_pct, lack_of_fit

Cell = tuple[str | None, str | None]
BEND_P = 0.01
SLIP_RATIO = 0.04
"""Repeats farther apart are no scatter of hangings."""


class Scatter(NamedTuple):
    """Squared deviations of ratios within groups that should agree, and their dof."""

    sum_of_squares: float = 0.0
    dof: int = 0

    def plus(self, other: Scatter) -> Scatter:
        """Both together."""
        return Scatter(self.sum_of_squares + other.sum_of_squares, self.dof + other.dof)

    def less(self, other: Scatter) -> Scatter:
        """What remains of both together once the other is taken off."""
        squares = max(self.sum_of_squares - other.sum_of_squares, 0.0)
        return Scatter(squares, max(self.dof - other.dof, 0))

    def at_most(self, dof: int) -> Scatter:
        """The same scatter, counting as no more than so many degrees of freedom."""
        if self.dof <= dof:
            return self
        return Scatter(self.sum_of_squares * dof / self.dof, dof)

    @property
    def sd(self) -> float | None:
        return (self.sum_of_squares / self.dof) ** 0.5 if self.dof else None


NO_SCATTER = Scatter()


class Stage(NamedTuple):
    """One stage, evaluated. Ratios are shown over expected torque, 1 for no error.

    used        readings that count, `weights` their part in the mean ratio (sum 1)
    zero_weights  how each used reading's zero is made of `zeros`; None without zeros
    """

    name: str
    used: tuple[Reading, ...]
    weights: tuple[float, ...]
    ratio: float
    cells: dict[Cell, float]
    zeros: tuple[Reading, ...]
    zero_weights: tuple[ZeroWeights | None, ...]
    scatter: Scatter
    zero_scatter: Scatter

    @property
    def zero_offset_nm(self) -> float | None:
        if not self.zeros:
            return None
        return sum(z.torque_nm for z in self.zeros) / len(self.zeros)


def evaluate_stage(session: Session, name: str) -> Stage | None:
    """Correct the zeros, form the ratios and their cell means; None without a used reading."""
    rows = [r for r in session.readings if r.stage == name]
    corrections = iter(correct(rows))
    used: list[Reading] = []
    kept: list[ZeroWeights | None] = []
    for reading in rows:
        if reading.load != MASS:
            continue
        correction = next(corrections)
        if reading.expected_nm is None:
            continue
        reading.ratio = (reading.torque_nm - (reading.zero_nm or 0.0)) / reading.expected_nm
        if reading.reason is None:
            used.append(reading)
            kept.append(correction)
    if not used:
        return None
    members = _members(used)
    weights = _even_weights(used, members)
    cells = {
        c: sum(weights[k] * _ratio(used[k]) for k in ks) * len(members) for c, ks in members.items()
    }
    return Stage(
        name,
        tuple(used),
        weights,
        sum(cells.values()) / len(cells),
        cells,
        tuple(zeros_of(rows)),
        tuple(kept),
        _scatter(used),
        _zero_scatter(rows),
    )


def side_of(stage: Stage, arm: str) -> Stage | None:
    """The stage cut down to one arm; None where that arm was not loaded."""
    keep = [k for k, r in enumerate(stage.used) if r.arm == arm]
    if not keep:
        return None
    used = [stage.used[k] for k in keep]
    cells = {c: ratio for c, ratio in stage.cells.items() if c[0] == arm}
    return stage._replace(
        used=tuple(used),
        weights=_even_weights(used, _members(used)),
        ratio=sum(cells.values()) / len(cells),
        cells=cells,
        zero_weights=tuple(stage.zero_weights[k] for k in keep),
    )


def arm_difference(stage: Stage) -> float | None:
    """Left − right, as a ratio: on the rings loaded on both arms, else of all there is."""
    return _difference(stage.cells, LEFT, RIGHT, key=lambda c: c[0], other=lambda c: c[1])


def ring_difference(stage: Stage, session: Session) -> float | None:
    """Small − large ring, as a ratio: on the arms loaded on both rings, else of all there is."""
    names = ring_names(stage, session)
    if names is None:
        return None
    small, large = names
    return _difference(stage.cells, small, large, key=lambda c: c[1], other=lambda c: c[0])


def ring_names(stage: Stage, session: Session) -> tuple[str, str] | None:
    """The labels of the smallest and the largest ring; fewest teeth are small."""
    labels = {c[1] for c in stage.cells if c[1] is not None}
    if len(labels) < 2:
        return None
    ordered = sorted(labels, key=lambda label: _teeth(label, session))
    return ordered[0], ordered[-1]


def interaction(stage: Stage) -> Scatter:
    """Scatter of four cells about arm and ring effects that add up: one degree of freedom."""
    arms = {c[0] for c in stage.cells}
    rings = {c[1] for c in stage.cells}
    if len(stage.cells) != 4 or len(arms) != 2 or len(rings) != 2 or len(stage.used) != 4:
        return Scatter()
    (a, b), (x, y) = sorted(arms, key=str), sorted(rings, key=str)
    cells = stage.cells
    contrast = cells[a, x] - cells[a, y] - cells[b, x] + cells[b, y]
    return Scatter(contrast**2 / 4, 1)


def repeats(stage: Stage) -> Scatter:
    """Scatter of what should agree, for others to learn from: without slips of the pen."""
    contrast = interaction(stage)
    fine = contrast.sum_of_squares <= (SLIP_RATIO / 2) ** 2
    return _scatter(stage.used, within=SLIP_RATIO).plus(contrast if fine else NO_SCATTER)


def hysteresis(stage: Stage) -> float | None:
    """Mean of up − down where a cell was read at the same load both ways, as a ratio."""
    if {"up", "down"} - {r.direction for r in stage.used}:
        return None
    groups: dict[tuple[Cell, float], dict[str | None, list[float]]] = {}
    for r in stage.used:
        ways = groups.setdefault((r.cell, _total(r)), {})
        ways.setdefault(r.direction, []).append(_ratio(r))
    both = [
        sum(ways["up"]) / len(ways["up"]) - sum(ways["down"]) / len(ways["down"])
        for ways in groups.values()
        if "up" in ways and "down" in ways
    ]
    return sum(both) / len(both) if both else None


def linearity_pct(stage: Stage) -> float | None:
    """Largest deviation from the straight line over the loads, % of the largest; see linearity.

    Each reading is taken relative to its cell, so that a difference between arms or rings is
    not read as a bend. The corrected zero is the load 0.
    """
    points = _over_loads(stage)
    return None if points is None else deviation_pct(*points)


def bends(stage: Stage) -> bool:
    """Whether the readings leave the straight line by more than repeats scatter (p < 1 %)."""
    points = _over_loads(stage)
    misfit = None if points is None else lack_of_fit(*points)
    return misfit is not None and misfit.p < BEND_P


def _over_loads(stage: Stage) -> tuple[list[float], list[float]] | None:
    """Expected and shown torque of a stage with several loads."""
    loads = {round(_total(r), 4) for r in stage.used}
    if len(loads) < 2 or min(stage.cells.values()) <= 0:
        return None
    expected = [r.expected_nm or 0.0 for r in stage.used]
    shown = [
        _ratio(r) / stage.cells[r.cell] * stage.ratio * (r.expected_nm or 0.0) for r in stage.used
    ]
    if stage.zeros:
        expected, shown = [0.0, *expected], [0.0, *shown]
    return [round(x, 6) for x in expected], shown


def _members(used: Sequence[Reading]) -> dict[Cell, list[int]]:
    members: dict[Cell, list[int]] = {}
    for k, reading in enumerate(used):
        members.setdefault((reading.arm, reading.chainring), []).append(k)
    return members


def _even_weights(used: Sequence[Reading], members: dict[Cell, list[int]]) -> tuple[float, ...]:
    """Weight of each reading in the mean of the cell means; up and down count alike in a cell."""
    weights = [0.0] * len(used)
    for ks in members.values():
        ways: dict[str | None, list[int]] = {}
        for k in ks:
            ways.setdefault(used[k].direction, []).append(k)
        groups = list(ways.values()) if set(ways) == {"up", "down"} else [ks]
        for same in groups:
            for k in same:
                weights[k] = 1 / len(members) / len(groups) / len(same)
    return tuple(weights)


def _scatter(used: Sequence[Reading], *, within: float = math.inf) -> Scatter:
    """Of readings that repeat each other: same cell, direction and load; within: their range."""
    if len(used) < 2:
        return Scatter()
    groups: dict[tuple[str | None, str | None, str | None, float], list[float]] = {}
    for r in used:
        groups.setdefault((r.arm, r.chainring, r.direction, _total(r)), []).append(_ratio(r))
    squares, dof = 0.0, 0
    for ratios in groups.values():
        if max(ratios) - min(ratios) > within:
            continue
        mean = sum(ratios) / len(ratios)
        squares += sum((x - mean) ** 2 for x in ratios)
        dof += len(ratios) - 1
    return Scatter(squares, dof)


def _zero_scatter(rows: Sequence[Reading]) -> Scatter:
    """Of zero readings taken one after the other, N·m squared."""
    runs: list[list[Reading]] = []
    last: Reading | None = None
    for r in sorted(rows, key=lambda r: r.position):
        if r.load == MASS:
            last = None
            continue
        if last is not None and last.cell == r.cell:
            runs[-1].append(r)
        else:
            runs.append([r])
        last = r
    squares, dof = 0.0, 0
    for run in runs:
        mean = sum(z.torque_nm for z in run) / len(run)
        squares += sum((z.torque_nm - mean) ** 2 for z in run)
        dof += len(run) - 1
    return Scatter(squares, dof)


def _difference(
    cells: dict[Cell, float],
    first: str,
    second: str,
    *,
    key: Callable[[Cell], str | None],
    other: Callable[[Cell], str | None],
) -> float | None:
    one = {other(c): ratio for c, ratio in cells.items() if key(c) == first}
    two = {other(c): ratio for c, ratio in cells.items() if key(c) == second}
    if not one or not two:
        return None
    shared = one.keys() & two.keys()
    if shared:
        return sum(one[k] - two[k] for k in shared) / len(shared)
    return sum(one.values()) / len(one) - sum(two.values()) / len(two)


def _teeth(label: str, session: Session) -> float:
    """Number of teeth, for order only: a count, the installation's, or a usual one."""
    if label.strip().isdigit():
        return float(label)
    installed = session.installation
    if label == "small":
        return float((installed and installed.small_ring) or 1)
    return float((installed and installed.large_ring) or 1000)


def _ratio(reading: Reading) -> float:
    return reading.ratio if reading.ratio is not None else 0.0


def _total(reading: Reading) -> float:
    return reading.hung.total_kg if reading.hung is not None else 0.0
