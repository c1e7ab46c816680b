"""Prepare the frames for fitting: all steps before any number is estimated."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from models.bench import EVENT_STEP_SD
from models.fleet.design.blocks import (
    Adjustments,
    Design,
    build_design,
    design_in_parts,
    sensor_values,
)
from models.fleet.design.cumulative_events import CumulativeEvents, alarm_steps, recorded_events
from models.fleet.design.data import FleetData
from models.fleet.design.effects import Effect
from models.fleet.design.layout import EventTotals, Layout
from models.fleet.design.observations import Devices, Observations, observe
from models.fleet.design.parts import Parts
from models.fleet.design.programmed import Programmed, programmed_slopes
from models.fleet.design.ride_effects import RIDER
from models.fleet.design.settings import (
    BENCH_EVENT_SD,
    EVENT_KIND,
    EVENT_KINDS,
    REFERENCE_EVENT_SD,
    FleetSettings,
)
from models.metrology import Array, Mask


@dataclass
class Prepared:
    """Everything about a fleet that does not change while it is being fitted."""

    data: FleetData
    settings: FleetSettings
    devices: Devices
    obs: Observations
    programmed: Programmed
    events: dict[str, CumulativeEvents]
    _y: Array | None = None

    def observation_keys(self) -> list[tuple[bool, str]]:
        """Return (is it a bench session, id) of every observation."""
        return list(zip(self.obs.is_bench.tolist(), self.obs.name, strict=True))

    @cached_property
    def session_rows(self) -> dict[str | None, int]:
        """Return the row of each bench session."""
        return {n: i for i, (b, n) in enumerate(self.observation_keys()) if b}

    def layout(self, effects: Sequence[Effect]) -> Layout:
        """Lay out the shared effects, those that alarms have added among them."""
        alarm = alarm_steps(effects, self.devices.meters)
        events = EventTotals(**self.events, alarm=alarm)
        return Layout(self.devices, self.obs, self.settings, events=events, effects=effects)

    def design(
        self,
        effects: Sequence[Effect] = (),
        adjust: Adjustments | None = None,
        parts: Parts | None = None,
        *,
        only: Mask | None = None,
    ) -> Design:
        """Build blocks and shared effects with the accepted effects and adjustments.

        parts: the observations, kept by workers that gather their blocks
        only: have the blocks of these meters, [meters]; the shared effects are all fleet's
        """
        chosen = adjust or plain_adjustments(len(self.obs))
        if self._y is None:
            self._y = sensor_values(self.obs, self.programmed)
        given = (self.layout(effects), self.obs, self.programmed, chosen)
        if parts is not None:
            return design_in_parts(*given, parts, y=self._y, only=only)
        return build_design(*given, y=self._y, only=only)

    def forget_slopes(self) -> None:
        """Take the programmed slopes out again next time: they have changed."""
        self._y = None

    def relevant(self, layout: Layout) -> set[str]:
        """Return the hyperparameters that the data have any bearing on."""
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
        if (self.obs.ride_effects.own_of(RIDER, len(self.obs))[0] >= 0).any():
            kinds.add("rider")
        if "warmth" in kinds:
            kinds.add("warmth_own")
        if len(self.events["swap"].device):
            kinds.add("swap")
        kinds |= {kind for kind in EVENT_KINDS if len(self.events[kind].device)}
        if any(len(self.events[c].device) for c in ("reference_event", "bench_event")):
            kinds.add("event")
        return kinds


def plain_adjustments(n: int) -> Adjustments:
    """Return full weight for each of n observations."""
    return Adjustments(np.ones(n), np.ones(n), np.zeros(n), np.ones(n), np.ones(n))


def prepare(data: FleetData, settings: FleetSettings) -> Prepared:
    """Flatten the frames, follow the programmed slopes, and add up what has happened."""
    complete = data.completed()
    devices, obs = observe(complete)
    meters = ("meter_id", devices.meters)
    named = (
        ("swap", {"battery_swap": 1.0}, *meters),
        *((kind, _usual(kind), *meters) for kind in EVENT_KINDS),
        ("reference_event", REFERENCE_EVENT_SD, "reference_id", devices.references),
        ("bench_event", BENCH_EVENT_SD, "bench_id", devices.benches),
    )
    events = {
        cause: recorded_events(complete.events, usual, column=column, names=names)
        for cause, usual, column, names in named
    }
    slopes = programmed_slopes(devices.meters, complete.resets)
    return Prepared(complete, settings, devices, obs, slopes, events)


def _usual(kind: str) -> dict[str, float]:
    """Return the usual sizes of the meters' events that a hyperparameter scales."""
    return {e: sd for e, sd in EVENT_STEP_SD.items() if EVENT_KIND.get(e, "event") == kind}
