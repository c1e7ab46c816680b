"""Choose the visits that cost least, risk included: an integer program.

The objective is money: a visit costs its price, a day ridden out of tolerance costs
`out_of_tolerance_day` times the weight of what is ridden that day. Each meter's year is a
path through the weeks whose arcs run from one visit to the next; the paths share the bench's
slots. That program has a column for every path, so its columns are made as they are needed:
the master program (HiGHS) prices the slots, a shortest path per meter under those prices gives
the next columns, and the Lagrangian value of the prices is the bound that the gap is read from.

Ref  Desrosiers & Lübbecke (2005), A primer in column generation (the method; from memory)
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.metrology import Array, Index, Mask

Weeks = tuple[int, ...]  # in which a meter is visited, ascending
Paths = dict[tuple[int, Weeks], float]  # (meter row, its visit weeks) → cost
GAP = 0.002  # stop refining when the columns are within this share of the bound
ROUNDS = 60  # at most; each round is one master program and one shortest path per meter
HALVINGS = 8  # of the scale of a visit's price, where their number is given
WARM_UP = 80  # cheap price steps before the first master program


@dataclass(frozen=True)
class VisitProgram:
    """What visits are chosen from. M meters, W weeks.

    risk_unvisited  [M, W] probability of being out of tolerance in a week without any visit
    risk_after      [M, W, W] the same in the week of the last axis, after a visit in the middle
                    axis' week; 1 before it
    exposure_cost   [M, W] money lost in that week if the meter is out of tolerance all week
    visit_cost      [M] money per visit
    slots           [W] visits that fit in the week
    pins            meter row → weeks in which it must be visited, and no others
    """

    risk_unvisited: Array
    risk_after: Array
    exposure_cost: Array
    visit_cost: Array
    slots: Index
    pins: Mapping[int, Weeks]


@dataclass(frozen=True)
class Visits:
    """The visits chosen. M meters.

    weeks     [M] in which each meter is visited
    cost      the whole objective; bound: a proven lower bound on it; gap: (cost − bound) / cost
    overfull  weeks whose pins alone exceed the slots
    """

    weeks: list[Weeks]
    cost: float
    bound: float
    gap: float
    overfull: Weeks


def choose_visits(program: VisitProgram) -> Visits:
    """Return the cheapest visits that respect slots and pins.

    Pins are kept even where they overfill a week; nothing else is then put into that week.
    """
    arcs = _arc_costs(program)
    pinned = _pin_mask(program)
    overfull = tuple(int(w) for w in np.flatnonzero(pinned.sum(axis=0) > program.slots))
    slots = np.maximum(program.slots, pinned.sum(axis=0)).astype(float)
    paths: Paths = {}
    _add_paths(paths, arcs, program, [tuple(np.flatnonzero(row).tolist()) for row in pinned])
    bound = _warm_up(paths, arcs, program, pinned, slots)
    for _ in range(ROUNDS):
        master, price = _price_slots(paths, slots, len(arcs))
        best, value = _cheapest_paths(arcs, program.visit_cost, price, pinned)
        bound = max(bound, float(value.sum() - price @ slots))
        fresh = _add_paths(paths, arcs, program, best)
        if not fresh or master - bound <= GAP * abs(master):
            break
    weeks, cost = _choose_columns(paths, slots, len(arcs))
    gap = max(0.0, cost - bound) / cost if cost > 0 else 0.0
    return Visits(weeks, cost, min(bound, cost), gap, overfull)


def choose_within(program: VisitProgram, most: float, weight: Array) -> Visits:
    """Return the cheapest visits whose weights come nearest to a sum, and not beyond.

    The price of a visit is scaled until they do, so that each further visit is the one that pays
    most; cost, bound and gap are those of the plan at the scaled price, cost at the true one.

    In   weight [M] of a visit of each meter: 1, or its money; pins are kept, even beyond the sum
    """
    low, high = -float(HALVINGS), float(HALVINGS)  # powers of two that scale the price
    best = choose_visits(_scaled(program, 4 * high))
    if most <= _weighed(best, weight):
        low = high
    for _ in range(HALVINGS if low < high else 0):
        middle = (low + high) / 2
        tried = choose_visits(_scaled(program, middle))
        if _weighed(tried, weight) <= most:
            best, high = tried, middle
        else:
            low = middle
    arcs = _arc_costs(program)
    cost = sum(
        _path_cost(arcs[m], program.visit_cost[m], weeks) for m, weeks in enumerate(best.weeks)
    )
    return replace(best, cost=cost, bound=cost * (1 - best.gap))


def _scaled(program: VisitProgram, power: float) -> VisitProgram:
    return replace(program, visit_cost=program.visit_cost * 2.0**power)


def _weighed(visits: Visits, weight: Array) -> float:
    return sum(float(weight[m]) * len(weeks) for m, weeks in enumerate(visits.weeks))


def wanted_visits(program: VisitProgram) -> list[Weeks]:
    """Return each meter's best weeks if every week with any slot had room for all.

    Where no week has a slot, every week counts as one that has. Pins do not count.
    """
    shut = (program.slots <= 0) & program.slots.any()
    price: Array = np.where(shut, np.inf, 0.0)
    free = np.zeros(program.exposure_cost.shape, dtype=np.bool_)
    arcs = _arc_costs(replace(program, pins={}))
    return _cheapest_paths(arcs, program.visit_cost, price, free)[0]


def _arc_costs(program: VisitProgram) -> Array:
    """Return the risk from node i until the start of week t (t = W: the end), [M, W+1, W+1].

    Node 0 is the plan's start, node w + 1 a visit in week w: an arc to a visit in week w reads
    column w, the last arc of a path column W. A pinned meter has no arc to a week without its pin.
    """
    meters, weeks = program.exposure_cost.shape
    cost = np.full((meters, weeks + 1, weeks + 1), np.inf)
    start = np.cumsum(program.risk_unvisited * program.exposure_cost, axis=1)
    cost[:, 0, 0] = 0.0
    cost[:, 0, 1:] = start
    for week in range(weeks):
        after = program.risk_after[:, week, week:] * program.exposure_cost[:, week:]
        cost[:, week + 1, week + 1 :] = np.cumsum(after, axis=1)
    for meter, pinned in program.pins.items():
        if pinned:
            cost[meter][:, [week for week in range(weeks) if week not in pinned]] = np.inf
    return cost


def _pin_mask(program: VisitProgram) -> Mask:
    mask = np.zeros(program.exposure_cost.shape, dtype=bool)
    for meter, weeks in program.pins.items():
        mask[meter, list(weeks)] = True
    return mask


def _cheapest_paths(
    arcs: Array, visit_cost: Array, price: Array, pinned: Mask
) -> tuple[list[Weeks], Array]:
    """Return the cheapest path of every meter under the slot prices, and its cost with them [M].

    price [W] of a slot; pinned [M, W]: weeks that no path may leave out
    """
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


def _trace(came: Index, node: int) -> Weeks:
    weeks: list[int] = []
    while node > 0:
        weeks.append(node - 1)
        node = int(came[node])
    return tuple(reversed(weeks))


def _path_cost(arcs: Array, visit_cost: float, weeks: Weeks) -> float:
    stops = [0, *(week + 1 for week in weeks)]
    ends = [*weeks, arcs.shape[1] - 1]
    risk = sum(float(arcs[i, t]) for i, t in zip(stops, ends, strict=True))
    return risk + float(visit_cost) * len(weeks)


def _add_paths(paths: Paths, arcs: Array, program: VisitProgram, best: list[Weeks]) -> int:
    """Add one path a meter to the columns; return how many were new.

    The first call adds the pins alone, which always fit, so the master program always has an
    answer.
    """
    fresh = [(m, weeks) for m, weeks in enumerate(best) if (m, weeks) not in paths]
    for m, weeks in fresh:
        paths[m, weeks] = _path_cost(arcs[m], program.visit_cost[m], weeks)
    return len(fresh)


def _warm_up(paths: Paths, arcs: Array, program: VisitProgram, pinned: Mask, slots: Array) -> float:
    """Find fair slot prices by subgradient steps; return the best bound.

    Overfull weeks grow dearer, empty ones cheaper. A shortest path costs a hundredth of a master
    program, so starting from fair prices saves most of those. The last quarter of the steps
    gives the first columns.
    """
    price, bound = np.zeros(slots.size), -np.inf
    step = 0.5 * float(program.visit_cost.mean())
    for k in range(WARM_UP):
        best, value = _cheapest_paths(arcs, program.visit_cost, price, pinned)
        bound = max(bound, float(value.sum() - price @ slots))
        use = np.bincount([w for weeks in best for w in weeks], minlength=slots.size)
        if k >= WARM_UP * 3 // 4:
            _add_paths(paths, arcs, program, best)
        if (use <= slots).all() and not price.any():
            _add_paths(paths, arcs, program, best)
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


def _choose_columns(paths: Paths, slots: Array, meters: int) -> tuple[list[Weeks], float]:
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
    chosen: list[Weeks] = [()] * meters
    for column in np.flatnonzero(np.asarray(result.x) > 0.5):
        meter, weeks = keys[column]
        chosen[meter] = weeks
    return chosen, sum(paths[meter, weeks] for meter, weeks in enumerate(chosen))
