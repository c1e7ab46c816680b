"""Choose by evidence whether each group's ageing is a line, settles, or speeds up.

The evidence for a shape is the fleet's marginal likelihood with it, at the hyperparameters found
for the line: they were fitted to the line, so the comparison leans towards it. How far the chosen
shape may be off stays in the model: the derivative of the group's mean course in the shape is an
effect of its own, with a prior as wide as shapes may differ from the chosen one: that variance
counts with the probability that the shape is no line, and the posterior spread of shapes beside it.
Shapes that speed up faster than two a year hardly differ, and count there as two.
"""

from collections.abc import Callable, Sequence

import numpy as np

from models.fleet.design import GROUP, SETTLING, SHAPE, SPEEDING_UP, Design, Effect
from models.fleet.inference.likelihood import State, block_sums, evaluate
from models.metrology import Mask

LOG_ODDS = float(np.log(len(SETTLING + SPEEDING_UP)))
"""Of the line against one other shape before the data: as much as all others together."""
_HOPELESS = 3.0  # log likelihood behind the best at which a side is not followed further
_CERTAIN = 0.02  # probability of another shape below which a line is one
_FARTHEST = -2.0  # shape up to which shapes that speed up differ much
_SPREAD = 0.5  # sd of a shape around the chosen one, over 1 + |shape|

DesignWith = Callable[[Sequence[Effect], Mask], Design]
"""The design with some shapes, of the blocks of some meters [meters]."""


def best_shapes(state: State, design_with: DesignWith) -> list[Effect]:
    """Return the shapes of the groups whose ageing is, or may be, no line.

    state        of the fleet with every group's ageing a line
    design_with  gives the design with some shapes, of some meters' blocks
    """
    names = state.design.layout.devices.groups
    chosen: dict[str, Effect] = {}
    for g, name in enumerate(names):
        found = _evidence(state, name, list(chosen.values()), design_with)
        shapes, log_p = np.array(list(found)), np.array(list(found.values()))
        p = np.exp(log_p - log_p.max())
        p /= p.sum()
        bent = 1.0 - float(p[0])
        if bent > _CERTAIN:
            mean = float(p @ shapes)
            near = np.maximum(shapes, _FARTHEST)
            between = float(p @ (near - max(mean, _FARTHEST)) ** 2)
            spread = np.sqrt((_SPREAD * (1 + abs(mean))) ** 2 * bent + between)
            sd = abs(_drift(state, g)) * spread
            chosen[name] = Effect(SHAPE, GROUP, name, 0.0, factor=mean, sd=float(sd))
    return list(chosen.values())


def _evidence(
    state: State, group: str, others: list[Effect], design_with: DesignWith
) -> dict[float, float]:
    """Return the log posterior of shapes of one group beside those of others; 0: the line.

    Only the blocks in which the group's meters are seen are made anew for each shape.
    """
    concerned = _seen_in(state.design, group)

    def with_shape(shape: float, meters: Mask) -> Design:
        trial = Effect(SHAPE, GROUP, group, 0.0, factor=shape, sd=0.0)
        return design_with([*others, trial], meters)

    def of(shape: float) -> float:
        try:
            design = with_shape(shape, concerned)
            return evaluate(design, state.hyper, keep=False, beside=rest).log_likelihood
        except np.linalg.LinAlgError:
            return -np.inf

    rest = block_sums(with_shape(0.0, ~concerned), state.hyper)

    found = {0.0: (of(0.0) if others else state.log_likelihood) + LOG_ODDS}
    for side in (SETTLING, SPEEDING_UP):
        for shape in side:
            found[shape] = of(shape)
            if found[shape] < max(found.values()) - _HOPELESS:
                break
    return found


def _seen_in(design: Design, group: str) -> Mask:
    """Return the meters in whose blocks meters of a group are seen, [meters]."""
    devices, obs = design.layout.devices, design.obs
    own = devices.group == devices.groups.index(group)
    seen = own[obs.owner] | (own[obs.other] & (obs.other >= 0))
    meters = np.zeros(len(own), dtype=np.bool_)
    meters[obs.owner[seen]] = True
    return meters


def _drift(state: State, group: int) -> float:
    p, u = state.design.layout.population, state.mean
    own = p.drift_of[group]
    return float(u[p.drift] + (u[own] if own >= 0 else 0.0))
