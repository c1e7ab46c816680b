"""Add up what has happened to each device by any instant: swaps, recorded events, found steps.

Everything that moves a meter's sensor is an increment independent of the others, so the covariance
that one cause gives two instants t, t' of one meter is its variance accumulated by the earlier of
the two, min(c(t), c(t')). A battery swap counts 1, a recorded event its usual size squared, a step
that an alarm has put in its prior variance; the random walk's c(t) is the time itself.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.fleet.design.effects import METER, Effect
from models.metrology import DAYS_A_YEAR, Array, Index, years

_SPAN = 1000.0  # years; keeps the devices apart in one sorted key


@dataclass
class CumulativeEvents:
    """Events of one cause: device, instant (years since 1970) and size of each, [events].

    Sorted by device and instant when made.
    """

    device: Index
    at: Array
    size: Array

    def __post_init__(self) -> None:
        order = np.lexsort((self.at, self.device))
        self.device, self.at, self.size = self.device[order], self.at[order], self.size[order]
        self._key = self.device * _SPAN + self.at
        self._sum = np.concatenate([[0.0], np.cumsum(self.size)])

    def total(self, device: Index, t: Array) -> Array:
        """Return the sum of each device's sizes up to and at each instant; shapes as given."""
        now = np.searchsorted(self._key, device * _SPAN + t, side="right")
        start = np.searchsorted(self._key, device * _SPAN, side="left")
        total: Array = self._sum[now] - self._sum[start]
        return total

    def events_of(self, device: int) -> tuple[Array, Array]:
        """Return the instants and sizes of one device's events."""
        rows = self.device == device
        return self.at[rows], self.size[rows]


@dataclass
class GradualEvents(CumulativeEvents):
    """Events that happened on an unknown day: the sum grows evenly between `since` and `at`.

    A step on an unknown day between two observations leaves the days between them as open as a
    random walk does that is tied to both: at a share w of the way the mean has made w of the
    step, with a variance of w(1 − w) times its square, as for a day that is evenly uncertain.
    """

    since: Array

    def __post_init__(self) -> None:
        order = np.lexsort((self.at, self.device))
        self.since = self.since[order]
        super().__post_init__()

    def total(self, device: Index, t: Array) -> Array:
        """Return the sum of each device's sizes at each instant, events under way in part."""
        total = super().total(device, t)
        if not len(self.at):
            return total
        following = np.searchsorted(self._key, device * _SPAN + t, side="right")
        event = np.minimum(following, len(self.at) - 1)
        since, at = self.since[event], self.at[event]
        under_way = (following == event) & (self.device[event] == device) & (t > since)
        share = (t - since) / np.where(under_way, at - since, 1.0)
        gradual: Array = total + np.where(under_way, share * self.size[event], 0.0)
        return gradual


def no_events() -> CumulativeEvents:
    """Return the events of a cause that never acted."""
    return CumulativeEvents(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))


def alarm_steps(effects: Sequence[Effect], meters: list[str]) -> CumulativeEvents:
    """Return the steps of meters that alarms have put into the model, each after its `since`."""
    index = {name: i for i, name in enumerate(meters)}
    steps = [
        (index[e.device], e.at, e.sd**2, e.since if 0 < e.since < e.at else e.at)
        for e in effects
        if (e.kind, e.device_kind) == ("step", METER) and e.device in index
    ]
    if not steps:
        return no_events()
    device, at, size, since = zip(*steps, strict=True)
    return GradualEvents(
        np.array(device, dtype=np.int64), np.array(at), np.array(size), np.array(since)
    )


def recorded_events(
    events: pl.DataFrame, usual: Mapping[str, float], *, column: str, names: list[str]
) -> CumulativeEvents:
    """Return the recorded events of one cause, each with its usual variance.

    usual: sd of each event of that cause; column: which kind of device; names: the devices
    An event happens at its instant, else at the start of its day.
    """
    index = {name: i for i, name in enumerate(names)}
    chosen = events.filter(
        pl.col(column).is_in(list(index)) & pl.col("event").is_in(list(usual))
    ).unique(subset=[column, "on", "event"], maintain_order=True)
    device = np.array([index[d] for d in chosen[column].to_list()], dtype=np.int64)
    size = np.array([float(usual[e]) ** 2 for e in chosen["event"].to_list()])
    return CumulativeEvents(device, event_instants(chosen), size)


def event_instants(events: pl.DataFrame) -> Array:
    """Return when events happened, years since 1970: their instant, else their day's start."""
    start = years(events["on"]) - 0.5 / DAYS_A_YEAR
    return np.where(events["at"].is_null().to_numpy(), start, years(events["at"]))
