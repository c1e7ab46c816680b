"""From the frames to a design: the steps that come before any number is estimated."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from models.fleet.design.blocks import Adjustments, Design, build_design, sensor_values
from models.fleet.design.cumulative_events import StepClock, alarm_clock, event_clock
from models.fleet.design.data import FleetData
from models.fleet.design.effects import Effect
from models.fleet.design.layout import Clocks, Layout
from models.fleet.design.observations import Devices, Observations, observe
from models.fleet.design.programmed import Programmed, programmed_slopes
from models.fleet.design.settings import FleetSettings
from models.metrology import Array


@dataclass
class Prepared:
    """Everything about a fleet that does not change while it is being fitted."""

    data: FleetData
    settings: FleetSettings
    devices: Devices
    obs: Observations
    programmed: Programmed
    clocks: dict[str, StepClock]
    _y: Array | None = None

    def observation_keys(self) -> list[tuple[bool, str]]:
        """(is it a bench session, id) of every observation."""
        return list(zip(self.obs.is_bench.tolist(), self.obs.name, strict=True))

    @cached_property
    def session_rows(self) -> dict[str | None, int]:
        """Row of each bench session."""
        return {n: i for i, (b, n) in enumerate(self.observation_keys()) if b}

    def layout(self, effects: Sequence[Effect]) -> Layout:
        """Shared effects with those that alarms have added."""
        alarm = alarm_clock(effects, self.devices.meters)
        clocks = Clocks(**self.clocks, alarm=alarm)
        return Layout(self.devices, self.obs, self.settings, clocks=clocks, effects=effects)

    def design(self, effects: Sequence[Effect] = (), adjust: Adjustments | None = None) -> Design:
        """Blocks and shared effects, with accepted effects and observation weights."""
        chosen = adjust or plain_adjustments(len(self.obs))
        if self._y is None:
            self._y = sensor_values(self.obs, self.programmed)
        return build_design(self.layout(effects), self.obs, self.programmed, chosen, y=self._y)

    def forget_slopes(self) -> None:
        """The programmed slopes have changed."""
        self._y = None

    def relevant(self, layout: Layout) -> set[str]:
        """Hyperparameters that the data have any bearing on."""
        parts = {p.key[0] for p in layout.parts if p.key is not None and p.n}
        kinds = parts & {
            "reference_walk",
            "mean_start",
            "mean_drift",
            "mean_swap",
            "warmth",
            "rider",
        }
        if len(self.obs):
            kinds |= {"start", "tie", "drift", "walk"}
        if self.obs.is_bench.any():
            kinds.add("bench")
        if not self.obs.is_bench.all():
            kinds |= {"pair", "ride"}
        if "warmth" in kinds:
            kinds.add("warmth_own")
        if len(self.clocks["swap"].device):
            kinds.add("swap")
        if any(len(self.clocks[c].device) for c in ("event", "reference_event", "bench_event")):
            kinds.add("event")
        return kinds


def plain_adjustments(n: int) -> Adjustments:
    """Full weight for every observation."""
    return Adjustments(np.ones(n), np.ones(n), np.zeros(n), np.ones(n))


def prepare(data: FleetData, settings: FleetSettings) -> Prepared:
    """Flatten the frames, follow the programmed slopes, and set the clocks."""
    complete = data.completed()
    devices, obs = observe(complete)
    named = (
        ("swap", "swap", devices.meters),
        ("event", "meter_id", devices.meters),
        ("reference_event", "reference_id", devices.references),
        ("bench_event", "bench_id", devices.benches),
    )
    clocks = {
        name: event_clock(complete.events, devices, of=of, names=names) for name, of, names in named
    }
    slopes = programmed_slopes(devices.meters, complete.resets)
    return Prepared(complete, settings, devices, obs, slopes, clocks)
