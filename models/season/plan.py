"""Who goes to the bench in which week: visits that cost least, risk included.

The objective is money: a visit costs its price, a day ridden out of tolerance costs
`out_of_tolerance_day` times the weight of what is ridden that day. Each meter's year is a
path through the weeks whose arcs run from one visit to the next; the paths share the bench's
slots. That program has a column for every path, so its columns are made as they are needed:
the master program (HiGHS) prices the slots, a shortest path per meter under those prices gives
the next columns, and the Lagrangian value of the prices is the bound that the gap is read from.

Ref  Desrosiers & Lübbecke (2005), A primer in column generation (the method; from memory)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.metrology import Array, Index, Mask

Paths = dict[tuple[int, tuple[int, ...]], float]  # (meter row, its visit weeks) → cost
GAP = 0.002  # stop refining when the columns are within this share of the bound
ROUNDS = 60  # at most; each round is one master program and one shortest path per meter
WARM_UP = 80  # cheap price steps before the first master program


@dataclass(frozen=True)
class Season:
    """What a plan is made from. M meters, W weeks.

    risk_unvisited  [M, W] probability of being out of tolerance in a week without any visit
    risk_after      [M, W] the same, that many weeks after a visit (0: the week of the visit);
                    or [M, W, W] in the week of the last axis after a visit in the middle one's
    stake           [M, W] money lost in that week if the meter is out of tolerance all week
    visit_cost      [M] money per visit
    slots           [W] visits that fit in the week
    pins            meter row → weeks in which it must be visited
    """

    risk_unvisited: Array
    risk_after: Array
    stake: Array
    visit_cost: Array
    slots: Index
    pins: Mapping[int, tuple[int, ...]]


@dataclass(frozen=True)
class Visits:
    """A plan: `weeks[m]` are meter m's visit weeks; `cost` the whole objective, `bound` a
    proven lower bound on it, `gap` = (cost − bound) / cost, `overfull` the weeks whose pins
    alone exceed the slots."""

    weeks: list[tuple[int, ...]]
    cost: float
    bound: float
    gap: float
    overfull: tuple[int, ...]


def choose_visits(season: Season, *, rounds: int = ROUNDS) -> Visits:
    """The cheapest visits that respect slots and pins. Pins are kept even where they overfill
    a week; nothing else is then put into that week."""
    arcs = _arc_costs(season)
    pinned = _pin_mask(season)
    overfull = tuple(int(w) for w in np.flatnonzero(pinned.sum(axis=0) > season.slots))
    slots = np.maximum(season.slots, pinned.sum(axis=0)).astype(float)
    paths: Paths = {}
    _add_paths(paths, arcs, season, [tuple(np.flatnonzero(row).tolist()) for row in pinned])
    bound = _warm_up(paths, arcs, season, pinned, slots)
    for _ in range(rounds):
        master, price = _price_slots(paths, slots, len(arcs))
        best, value = _cheapest_paths(arcs, season.visit_cost, price, pinned)
        bound = max(bound, float(value.sum() - price @ slots))
        fresh = _add_paths(paths, arcs, season, best)
        if not fresh or master - bound <= GAP * abs(master):
            break
    weeks, cost = _choose_columns(paths, slots, len(arcs))
    gap = max(0.0, cost - bound) / cost if cost > 0 else 0.0
    return Visits(weeks, cost, min(bound, cost), gap, overfull)


def wanted_visits(season: Season) -> list[tuple[int, ...]]:
    """Each meter's own best weeks, as if the bench had room for everyone in every week that has
    any slot (in every week, if none has); pins do not count."""
    shut = (season.slots <= 0) & season.slots.any()
    price: Array = np.where(shut, np.inf, 0.0)
    free = np.zeros(season.stake.shape, dtype=np.bool_)
    return _cheapest_paths(_arc_costs(season), season.visit_cost, price, free)[0]


def _arc_costs(season: Season) -> Array:
    """[M, W+1, W+1] risk from node i until the start of week t (t = W: the end).

    Node 0 is the plan's start, node w + 1 a visit in week w: an arc to a visit in week w reads
    column w, the last arc of a path column W.
    """
    meters, weeks = season.stake.shape
    cost = np.full((meters, weeks + 1, weeks + 1), np.inf)
    start = np.cumsum(season.risk_unvisited * season.stake, axis=1)
    cost[:, 0, 0] = 0.0
    cost[:, 0, 1:] = start
    for week in range(weeks):
        after = _risk_after(season, week) * season.stake[:, week:]
        cost[:, week + 1, week + 1 :] = np.cumsum(after, axis=1)
    return cost


def _risk_after(season: Season, week: int) -> Array:
    """[M, weeks from that one on] after a visit in a week."""
    if season.risk_after.ndim == 3:
        return season.risk_after[:, week, week:]
    return season.risk_after[:, : season.stake.shape[1] - week]


def _pin_mask(season: Season) -> Mask:
    mask = np.zeros(season.stake.shape, dtype=bool)
    for meter, weeks in season.pins.items():
        mask[meter, list(weeks)] = True
    return mask


def _cheapest_paths(
    arcs: Array, visit_cost: Array, price: Array, pinned: Mask
) -> tuple[list[tuple[int, ...]], Array]:
    """Shortest path of every meter at once under the slot prices; values include the prices."""
    meters, nodes, _ = arcs.shape
    weeks = nodes - 1
    reach = np.full((meters, nodes), np.inf)  # cheapest way to stand at a node, visit paid
    came = np.zeros((meters, nodes), dtype=np.int64)
    reach[:, 0] = 0.0
    last_pin = np.where(
        pinned.any(axis=1), weeks - 1 - np.argmax(pinned[:, ::-1], axis=1), -1
    )  # an arc may not jump over a pin
    floor = np.zeros((meters, weeks + 1), dtype=np.int64)
    for week in range(1, weeks + 1):
        floor[:, week] = np.where(pinned[:, week - 1], week, floor[:, week - 1])
    node = np.arange(nodes)
    for week in range(weeks):
        total = reach[:, : week + 1] + arcs[:, : week + 1, week]
        total = np.where(node[: week + 1] < floor[:, week, None], np.inf, total)
        came[:, week + 1] = np.argmin(total, axis=1)
        reach[:, week + 1] = np.min(total, axis=1) + visit_cost + price[week]
    total = reach + arcs[:, :, weeks]
    total = np.where(node < (last_pin + 1)[:, None], np.inf, total)
    at = np.argmin(total, axis=1)
    value = np.min(total, axis=1)
    return [_trace(came[m], int(at[m])) for m in range(meters)], value


def _trace(came: Index, node: int) -> tuple[int, ...]:
    weeks: list[int] = []
    while node > 0:
        weeks.append(node - 1)
        node = int(came[node])
    return tuple(reversed(weeks))


def _path_cost(arcs: Array, visit_cost: float, weeks: tuple[int, ...]) -> float:
    stops = [0, *(week + 1 for week in weeks)]
    ends = [*weeks, arcs.shape[1] - 1]
    risk = sum(float(arcs[i, t]) for i, t in zip(stops, ends, strict=True))
    return risk + float(visit_cost) * len(weeks)


def _add_paths(paths: Paths, arcs: Array, season: Season, best: list[tuple[int, ...]]) -> int:
    """Add one path a meter to the columns; returns how many were new. The first call adds the
    pins alone, which always fit, so the master program always has an answer."""
    fresh = [(m, weeks) for m, weeks in enumerate(best) if (m, weeks) not in paths]
    for m, weeks in fresh:
        paths[m, weeks] = _path_cost(arcs[m], season.visit_cost[m], weeks)
    return len(fresh)


def _warm_up(paths: Paths, arcs: Array, season: Season, pinned: Mask, slots: Array) -> float:
    """Slot prices by subgradient steps: overfull weeks grow dearer, empty ones cheaper.

    A shortest path costs a hundredth of a master program, so starting from fair prices saves
    most of those. The last quarter of the steps gives the first columns. Returns the best bound.
    """
    price, bound = np.zeros(slots.size), -np.inf
    step = 0.5 * float(season.visit_cost.mean())
    for k in range(WARM_UP):
        best, value = _cheapest_paths(arcs, season.visit_cost, price, pinned)
        bound = max(bound, float(value.sum() - price @ slots))
        use = np.bincount([w for weeks in best for w in weeks], minlength=slots.size)
        if k >= WARM_UP * 3 // 4:
            _add_paths(paths, arcs, season, best)
        if (use <= slots).all() and not price.any():
            _add_paths(paths, arcs, season, best)
            break
        excess = (use - slots) / max(1.0, float(np.abs(use - slots).max()))
        price = np.maximum(0.0, price + step * excess)
        step *= 1.05 if k < WARM_UP // 3 else 0.94
    return bound


def _columns(paths: Paths, weeks: int, meters: int) -> tuple[Array, Any, Any]:
    from scipy import sparse

    cost = np.fromiter(paths.values(), dtype=float, count=len(paths))
    owner = np.array([meter for meter, _ in paths])
    use = [(week, column) for column, (_, path) in enumerate(paths) for week in path]
    rows, columns = np.array(use).T if use else np.zeros((2, 0), dtype=int)
    slots = sparse.csr_array((np.ones(len(use)), (rows, columns)), shape=(weeks, cost.size))
    one = sparse.csr_array(
        (np.ones(cost.size), (owner, np.arange(cost.size))), shape=(meters, cost.size)
    )
    return cost, slots, one


def _price_slots(paths: Paths, slots: Array, meters: int) -> tuple[float, Array]:
    from scipy.optimize import linprog

    cost, use, one = _columns(paths, slots.size, meters)
    result = linprog(cost, A_ub=use, b_ub=slots, A_eq=one, b_eq=np.ones(meters), method="highs")
    return float(result.fun or 0.0), np.maximum(0.0, -np.asarray(result.ineqlin.marginals))


def _choose_columns(paths: Paths, slots: Array, meters: int) -> tuple[list[tuple[int, ...]], float]:
    from scipy.optimize import Bounds, LinearConstraint, milp

    cost, use, one = _columns(paths, slots.size, meters)
    result = milp(
        cost,
        integrality=np.ones(cost.size, dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=[
            LinearConstraint(use, ub=slots),
            LinearConstraint(one, lb=1, ub=1),
        ],
        options={"mip_rel_gap": GAP / 2, "time_limit": 20.0},
    )
    keys = list(paths)
    chosen: list[tuple[int, ...]] = [()] * meters
    for column in np.flatnonzero(np.asarray(result.x) > 0.5):
        meter, weeks = keys[column]
        chosen[meter] = weeks
    return chosen, sum(paths[meter, weeks] for meter, weeks in enumerate(chosen))
