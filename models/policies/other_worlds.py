"""Compare the policies where meters do not behave as the fit says.

The policies keep the fit's values, as they would in life; what happens to the meters differs.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from models.metrology import Array
from models.policies.documents import PolicyRow, PolicyWorld
from models.policies.meter_process import WEEK, ProcessParameters
from models.policies.simulation import Draws, draw

KNOCKS_A_YEAR, KNOCK_SD = 0.2, 2.0  # of a meter; 100·ln
SETTLING, SPEEDING_UP = 0.7, 0.5  # a year: drift halves each year; grows by half its start's

Drawn = Callable[[ProcessParameters, float, np.random.Generator], Draws]


@dataclass(frozen=True)
class World:
    """A way in which the fit may be wrong. said: continues "where"; draw: what happens there."""

    name: str
    said: str
    draw: Drawn


def _restless(true: ProcessParameters, years: float, rng: np.random.Generator) -> Draws:
    line = true.line * np.array([[1.0, 2.0], [2.0, 4.0]])
    moved = replace(true, drift=2 * true.drift, line=line, walk2=4 * true.walk2)
    return draw(replace(moved, swap2=4 * true.swap2), years, rng)


def _drifting(drawn: Draws, share: Callable[[Array], Array]) -> Draws:
    """Let the drift be a share of the first year's, by years of service."""
    t = np.arange(len(drawn.moves), dtype=np.float64)[:, None] * WEEK
    return replace(drawn, moves=drawn.moves + (share(t) - 1) * drawn.first[1] * WEEK)


def _settling(true: ProcessParameters, years: float, rng: np.random.Generator) -> Draws:
    return _drifting(draw(true, years, rng), lambda t: np.exp(-SETTLING * t))


def _speeding_up(true: ProcessParameters, years: float, rng: np.random.Generator) -> Draws:
    return _drifting(draw(true, years, rng), lambda t: 1 + SPEEDING_UP * t)


def _knocked(true: ProcessParameters, years: float, rng: np.random.Generator) -> Draws:
    drawn = draw(true, years, rng)
    hit = rng.random(drawn.moves.shape) < KNOCKS_A_YEAR * WEEK
    knocks = hit * KNOCK_SD * rng.standard_normal(drawn.moves.shape)
    return replace(drawn, moves=drawn.moves + knocks)


WORLDS = (
    World("restless", "meters drift and wander twice as fast as fitted", _restless),
    World("settling", "drift halves with each year of service", _settling),
    World("speeding_up", "drift doubles in two years of service", _speeding_up),
    World(
        "knocked",
        "more knocks than recorded, of some 2 %, move one meter in five each year",
        _knocked,
    ),
)


def world_of(world: World, rows: list[PolicyRow]) -> PolicyWorld:
    """Return what the policies do in a world, and what planning at least cost costs more there."""
    best = min(rows, key=lambda row: row["cost_per_meter_year"])
    [planned] = [row for row in rows if row["kind"] == "cost"]
    return {
        "world": world.name,
        "said": world.said,
        "policies": rows,
        "cheapest": best["name"],
        "planned_costs_more": planned["cost_per_meter_year"] - best["cost_per_meter_year"],
        "planned_out_share": planned["out_of_tolerance_share"],
    }
