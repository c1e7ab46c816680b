"""Hold a fleet on its way to a fit: what has been found of it so far."""

from dataclasses import dataclass, field

import numpy as np

from models.fleet.alarms.alarm_budget import Budget
from models.fleet.alarms.odds_adjustments import odds_adjustments_of
from models.fleet.alarms.scan_meters import ENTRY, OddsAdjustments
from models.fleet.design import (
    BENCH,
    GROUP,
    METER,
    REFERENCE,
    Adjustments,
    Design,
    Effect,
    Parts,
    Prepared,
    alarm_steps,
    plain_adjustments,
)
from models.fleet.inference import NORMAL, Estimate, Hyper, Mixture, State, estimate, evaluate
from models.metrology import Array


@dataclass
class Search:
    """A fleet on its way to a fit: effects accepted so far, weights, hyperparameters."""

    prepared: Prepared
    hyper: Hyper
    budget: Budget
    effects: list[Effect] = field(default_factory=list)
    weight: Array = field(default_factory=lambda: np.ones(0))
    scale: Array = field(default_factory=lambda: np.ones(0))
    n_iter: int = 0
    limits: dict[str, float] = field(default_factory=dict)
    mixtures: tuple[Mixture, Mixture] = (NORMAL, NORMAL)
    """Of sessions and of comparisons."""
    noise_p: dict[Effect, float] = field(default_factory=dict)
    with_proposed: bool = True
    """While it searches: so that no meter is blamed for what a mass set may have done."""
    parts: Parts | None = None
    """The observations, where workers gather the blocks."""
    _design: Design | None = None
    _built_with: tuple[tuple[Effect, float, float], ...] = ()

    def __post_init__(self) -> None:
        if not len(self.weight):
            self.weight = np.ones(len(self.prepared.obs))
        if not len(self.scale):
            self.scale = np.ones(len(self.prepared.obs))
        self.odds_adjustments: OddsAdjustments = odds_adjustments_of(self.prepared)
        devices = self.prepared.devices
        self.names = {
            REFERENCE: devices.references,
            BENCH: devices.benches,
            METER: devices.meters,
            GROUP: devices.groups,
        }

    def design(self) -> Design:
        """Return the design with the effects and weights found so far."""
        effects = self.modelled()
        adjust = self.adjustments()
        shared = tuple((e, e.sd, e.factor) for e in effects if not is_own(self.prepared, e))
        if self._design is None or self._built_with != shared:
            self._design = self.prepared.design(effects, adjust, self.parts)
            self._built_with = shared
        else:
            steps = alarm_steps(effects, self.prepared.devices.meters)
            self._design = self._design.adjusted(adjust, steps)
        return self._design

    def bring_home(self) -> None:
        """Have all blocks here from now on."""
        if self.parts is not None:
            self.parts = self._design = None

    def modelled(self) -> list[Effect]:
        """Return the effects that are in the model."""
        return [e for e in self.effects if self.with_proposed or not e.proposed]

    def adjustments(self) -> Adjustments:
        """Return what weights, the meters' own noise and effects do to the observations' noise."""
        obs, row = self.prepared.obs, self.prepared.session_rows
        meters = self.prepared.devices.meter_index
        adjust = plain_adjustments(len(obs))
        adjust.weight[:], adjust.scale[:] = self.weight, self.scale
        bench, rides = self.mixtures
        adjust.noise_ratio[:] = np.where(obs.is_bench, bench.variance_ratio, rides.variance_ratio)
        for e in self.modelled():
            if e.kind == ENTRY and e.observation in row:
                adjust.added[row[e.observation]] = e.sd**2
            elif e.kind == "noise" and e.device in meters:
                late = (obs.owner == meters[e.device]) & (obs.t >= e.at) & ~obs.is_bench
                adjust.factor[late] = np.maximum(adjust.factor[late], e.factor)
        return adjust

    def forget_design(self) -> None:
        """Build the design again next time: the programmed slopes have changed."""
        self._design = None
        self.prepared.forget_slopes()

    def evaluate(self) -> State:
        """Return the state at the current hyperparameters."""
        return evaluate(self.design(), self.hyper)

    def estimate(self, state: State | None = None, most: int = 0) -> Estimate:
        """Improve the hyperparameters, from the present state if it is at hand."""
        found = estimate(state or self.evaluate(), self.prepared.settings, most)
        self.hyper = found.hyper
        self.n_iter += found.n_iter
        return found


def is_own(prepared: Prepared, effect: Effect) -> bool:
    """Tell whether the effect is one of a meter by itself (a promoted meter's step is shared)."""
    devices = prepared.devices
    if effect.kind == "noise":
        return True
    if effect.device_kind != METER or effect.kind not in ("step", "entry"):
        return False
    return effect.kind == "entry" or not devices.promoted[devices.meter_index[effect.device]]


def own_steps(prepared: Prepared, effects: list[Effect]) -> dict[int, list[tuple[float, float]]]:
    """Return instant and prior variance of the steps in the model, by meter."""
    steps: dict[int, list[tuple[float, float]]] = {}
    for e in effects:
        if e.kind == "step" and is_own(prepared, e):
            meter = prepared.devices.meter_index[e.device]
            steps.setdefault(meter, []).append((e.at, e.sd**2))
    return steps
