"""Clocks: everything that moves a meter's sensor adds variance as a clock advances.

The random walk advances with time, battery swaps by one each, recorded events by their usual
size squared, steps put in by an alarm by their prior variance. The covariance that a clock c
gives two instants of one meter is min(c(t), c(t')).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.fleet.design.effects import METER, Effect
from models.fleet.design.observations import Devices
from models.fleet.design.settings import BENCH_EVENT_SD, EVENT_STEP_SD, REFERENCE_EVENT_SD
from models.metrology import DAYS_A_YEAR, Array, Index, years

_SPAN = 1000.0  # years; keeps the meters apart in one sorted key


@dataclass
class StepClock:
    """A clock that jumps: device, instant and size of each jump, in order."""

    device: Index
    at: Array
    size: Array

    def __post_init__(self) -> None:
        order = np.lexsort((self.at, self.device))
        self.device, self.at, self.size = self.device[order], self.at[order], self.size[order]
        self._key = self.device * _SPAN + self.at
        self._sum = np.concatenate([[0.0], np.cumsum(self.size)])

    def read(self, device: Index, t: Array) -> Array:
        """The clock of each device at each instant (jumps at that instant included)."""
        now = np.searchsorted(self._key, device * _SPAN + t, side="right")
        start = np.searchsorted(self._key, device * _SPAN, side="left")
        read: Array = self._sum[now] - self._sum[start]
        return read

    def jumps_of(self, device: int) -> tuple[Array, Array]:
        """Instants and sizes of one device's jumps."""
        rows = self.device == device
        return self.at[rows], self.size[rows]


@dataclass
class RampClock(StepClock):
    """A clock that gets from one reading to the next evenly, between `since` and `at` of each jump.

    A step on an unknown day between two observations leaves the days between them as open as a
    random walk does that is tied to both: on a share w of the way the mean has made w of the
    step, with a variance of w(1 − w) times its square, as for a day that is evenly uncertain.
    """

    since: Array

    def __post_init__(self) -> None:
        order = np.lexsort((self.at, self.device))
        self.since = self.since[order]
        super().__post_init__()

    def read(self, device: Index, t: Array) -> Array:
        """The clock of each device at each instant."""
        read = super().read(device, t)
        if not len(self.at):
            return read
        following = np.searchsorted(self._key, device * _SPAN + t, side="right")
        jump = np.minimum(following, len(self.at) - 1)
        since, at = self.since[jump], self.at[jump]
        under_way = (following == jump) & (self.device[jump] == device) & (t > since)
        share = (t - since) / np.where(under_way, at - since, 1.0)
        ramped: Array = read + np.where(under_way, share * self.size[jump], 0.0)
        return ramped


def no_jumps() -> StepClock:
    """A clock that never moves."""
    return StepClock(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))


def alarm_clock(effects: Sequence[Effect], meters: list[str]) -> StepClock:
    """Steps of meters that alarms have put into the model, each some day after `since`."""
    index = {name: i for i, name in enumerate(meters)}
    steps = [
        (index[e.device], e.at, e.sd**2, e.since if 0 < e.since < e.at else e.at)
        for e in effects
        if (e.kind, e.device_kind) == ("step", METER) and e.device in index
    ]
    if not steps:
        return no_jumps()
    device, at, size, since = zip(*steps, strict=True)
    return RampClock(
        np.array(device, dtype=np.int64), np.array(at), np.array(size), np.array(since)
    )


def event_clock(events: pl.DataFrame, devices: Devices, *, of: str, names: list[str]) -> StepClock:
    """Jumps at recorded events: battery swaps count 1, others their usual variance.

    of: "swap" (battery swaps of meters), or "meter_id", "reference_id", "bench_id" (possible
    steps of that kind of device). An event happens at its instant, else at the start of its day.
    """
    column = "meter_id" if of == "swap" else of
    usual: Mapping[str, float] = {
        "swap": {"battery_swap": 1.0},
        "meter_id": EVENT_STEP_SD,
        "reference_id": REFERENCE_EVENT_SD,
        "bench_id": BENCH_EVENT_SD,
    }[of]
    index = {name: i for i, name in enumerate(names)}
    chosen = events.filter(
        pl.col(column).is_in(list(index)) & pl.col("event").is_in(list(usual))
    ).unique(subset=[column, "on", "event"], maintain_order=True)
    device = np.array([index[d] for d in chosen[column].to_list()], dtype=np.int64)
    size = np.array([float(usual[e]) ** 2 for e in chosen["event"].to_list()])
    return StepClock(device, event_instants(chosen), size)


def event_instants(events: pl.DataFrame) -> Array:
    """When events happened, years since 1970: their instant, else the start of their day."""
    start = years(events["on"]) - 0.5 / DAYS_A_YEAR
    return np.where(events["at"].is_null().to_numpy(), start, years(events["at"]))
