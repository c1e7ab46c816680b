"""Lay out the shared effects as columns, and say where a device's value meets them."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from models.fleet.design.ageing_shape import aged, aged_derivative
from models.fleet.design.arrays import rows_of_each
from models.fleet.design.cumulative_events import CumulativeEvents
from models.fleet.design.effects import BENCH, GROUP, METER, REFERENCE, SEASONS, SHAPE, Effect
from models.fleet.design.observations import Devices, Observations
from models.fleet.design.ride_effects import KINDS_OF_RIDES, RIDER, stated_sds
from models.fleet.design.settings import EVENT_KINDS, FleetSettings
from models.fleet.design.shared import Entries, Key, Part, Walk, knots_for
from models.metrology import DAYS_A_YEAR, Array, Index

FLEET = -1
REFERENCE_TEMPERATURE_C = 20.0


@dataclass
class EventTotals:
    """What has happened to the devices, by cause.

    swap, alarm                  of meters: battery swaps, steps that alarms found
    event … remount              recorded events of meters, by EVENT_KINDS
    reference_event, bench_event possible steps of references and mass sets
    """

    swap: CumulativeEvents
    event: CumulativeEvents
    crash: CumulativeEvents
    service: CumulativeEvents
    remount: CumulativeEvents
    reference_event: CumulativeEvents
    bench_event: CumulativeEvents
    alarm: CumulativeEvents

    def recorded(self) -> dict[str, CumulativeEvents]:
        """Return the meters' recorded events by EVENT_KINDS, in their order."""
        return {kind: getattr(self, kind) for kind in EVENT_KINDS}

    def totals(self, meter: Index, t: Array) -> Array:
        """Return what swaps, recorded events by kind, and alarms add up to, [causes, …]."""
        causes = (self.swap, *self.recorded().values(), self.alarm)
        return np.stack([cause.total(meter, t) for cause in causes])


@dataclass
class Course:
    """A promoted meter's columns: line (start and drift), swaps, steps (instant, column), walk."""

    line: int
    swaps: list[tuple[float, int]]
    steps: list[tuple[float, int]]
    walk: Walk


@dataclass
class Population:
    """Columns of the fleet's means and the groups' around them; −1 where there is none.

    start, …_of     [groups]; bends: (group, instant, column) of changes of a group's drift;
                    seasons: (group, of bench sessions, peak, column) of what returns every year
    curves          (group, column) of what is not known of a group's shape
    """

    start: Index
    drift: int
    drift_of: Index
    swap: int
    swap_of: Index
    temperature: int
    temperature_of: Index
    bends: list[tuple[int, float, int]] = field(default_factory=list)
    seasons: list[tuple[int, bool, float, int]] = field(default_factory=list)
    curves: list[tuple[int, int]] = field(default_factory=list)


class Layout:
    """Columns of all shared effects of a fleet, their priors, and design entries at any instant."""

    def __init__(
        self,
        devices: Devices,
        obs: Observations,
        settings: FleetSettings,
        *,
        events: EventTotals,
        effects: Sequence[Effect] = (),
    ) -> None:
        self.devices, self.settings, self.events = devices, settings, events
        self.parts: list[Part] = []
        self.n = 0
        self._effects = effects
        self.shape = self._shapes()
        self.effect_columns: dict[Effect, int] = {}
        self.population = self._population(obs)
        spacing = self._spacing(obs)
        self.levels, self.walks = self._references(obs, spacing)
        self.courses = {
            int(m): self._course(int(m), obs, spacing) for m in np.flatnonzero(devices.promoted)
        }
        self.bench_columns, self.place_columns, self.crank_columns = self._bench_side(obs)
        self.reference_steps = self._steps(REFERENCE, devices.references, events.reference_event)
        self.bench_steps = self._steps(BENCH, devices.benches, events.bench_event)
        self.ride_effect_columns = self._ride_effects(obs)

    def _shapes(self) -> Array:
        shape = np.zeros(len(self.devices.groups))
        for e in self._effects:
            if e.kind == SHAPE and e.device in self.devices.groups:
                shape[self.devices.groups.index(e.device)] = e.factor
        return shape

    def aged(self, meter: Index, t: Array) -> Array:
        """Return the age that counts for drift of meters at instants, years; shapes broadcast."""
        age = np.maximum(t - self.devices.service[meter], 0.0)
        return aged(age, self.shape[self.devices.group[meter]])

    def curve(self, meter: Index, t: Array) -> Array:
        """Return how the age that counts changes with the shapes; meter and t broadcast."""
        age = np.maximum(t - self.devices.service[meter], 0.0)
        return self.curve_at(age, self.devices.group[meter])

    def curve_at(self, age: Array, group: Index | int) -> Array:
        """Return the same at ages of groups, years; age and group broadcast."""
        return aged_derivative(age, self.shape[group])

    # --- columns ------------------------------------------------------------------------------

    def _add(self, n: int, *, sd: Array | float = 1.0, key: Key | None = None) -> int:
        first = self.n
        spread = np.broadcast_to(np.asarray(sd, dtype=np.float64), (n,)).copy()
        self.parts.append(Part("scaled", first, n, key, spread))
        self.n += n
        return first

    def _effect(self, effect: Effect) -> int:
        """Add a column for what an alarm has put into the model, and return it."""
        self.effect_columns[effect] = self._add(1, sd=effect.sd)
        return self.effect_columns[effect]

    def _population(self, obs: Observations) -> Population:
        s, n_groups = self.settings, len(self.devices.groups)
        several = n_groups > 1
        free = np.isinf(s.mean_start_sd)
        start = self._add(
            n_groups,
            sd=s.mean_start_sd if free else 1.0,
            key=None if free else ("mean_start", FLEET),
        )
        drift, swap, temperature = self._add(1, sd=s.mean_drift_sd), -1, -1
        none = np.full(n_groups, -1, dtype=np.int64)
        drift_of, swap_of, temperature_of = none, none, none
        if several:
            drift_of = np.arange(n_groups) + self._add(n_groups, key=("mean_drift", FLEET))
        if len(self.events.swap.device):
            swap = self._add(1, sd=s.mean_swap_sd)
            if several:
                swap_of = np.arange(n_groups) + self._add(n_groups, key=("mean_swap", FLEET))
        fitted = self._groups_with_temperature(obs)
        if len(fitted):
            temperature = self._add(1, sd=s.mean_temperature_sd)
            temperature_of = none.copy()
            first = self._add(len(fitted), key=("warmth", FLEET))
            temperature_of[fitted] = np.arange(len(fitted)) + first
        index = {name: i for i, name in enumerate(self.devices.groups)}
        of_groups = [e for e in self._effects if e.device_kind == GROUP and e.device in index]
        bends = [(index[e.device], e.at, self._effect(e)) for e in of_groups if e.kind == "bend"]
        seasons = [
            (index[e.device], SEASONS[e.kind], e.at, self._effect(e))
            for e in of_groups
            if e.kind in SEASONS
        ]
        return Population(
            np.arange(n_groups) + start,
            drift,
            drift_of,
            swap,
            swap_of,
            temperature,
            temperature_of,
            bends,
            seasons,
            [(index[e.device], self._add(1, sd=e.sd)) for e in of_groups if e.kind == SHAPE],
        )

    def _groups_with_temperature(self, obs: Observations) -> Index:
        """Return the groups with enough temperatures that differ enough."""
        known = ~np.isnan(obs.temperature)
        group = self.devices.group[obs.owner]
        n = np.bincount(group[known], minlength=len(self.devices.groups))
        enough = np.flatnonzero(n >= self.settings.temperature_needs)
        spread = [float(np.std(obs.temperature[known & (group == g)])) > 1.0 for g in enough]
        return enough[np.array(spread, dtype=np.bool_)].astype(np.int64)

    def _spacing(self, obs: Observations) -> float:
        """Return the knots' spacing in years, widened until the shared effects are few enough."""
        spacing = self.settings.knot_days / DAYS_A_YEAR
        used = [obs.t[rows] for _, rows in rows_of_each(obs.ref)]
        used += [self._instants(int(m), obs) for m in np.flatnonzero(self.devices.promoted)]
        while sum(len(knots_for(t, spacing)) for t in used) > self.settings.most_shared:
            spacing *= 1.25
        return spacing

    def _instants(self, meter: int, obs: Observations) -> Array:
        t: Array = obs.t[(obs.owner == meter) | (obs.other == meter)]
        return t

    def _walk(self, t: Array, spacing: float, key: Key, origin: float | None = None) -> Walk:
        knots = knots_for(t, spacing, origin=origin)
        walk = Walk(knots, self.n, key)
        if len(knots) > 1:
            self.parts.append(
                Part("walk", self.n, len(knots) - 1, key, dt=np.maximum(np.diff(knots), 1e-6))
            )
            self.n += len(knots) - 1
        return walk

    def _references(self, obs: Observations, spacing: float) -> tuple[Index, list[Walk]]:
        n = len(self.devices.references)
        first = self._add(n, sd=self.settings.reference_level_sd) if n else 0
        rows = dict(rows_of_each(obs.ref))
        none = np.zeros(0, dtype=np.int64)
        walks = [
            self._walk(obs.t[rows.get(r, none)], spacing, ("reference_walk", FLEET))
            for r in range(n)
        ]
        return np.arange(n, dtype=np.int64) + first, walks

    def _course(self, meter: int, obs: Observations, spacing: float) -> Course:
        g = int(self.devices.group[meter])
        line = self.n
        self.parts.append(Part("line", line, 2, ("line", g)))
        self.n += 2
        at, _ = self.events.swap.events_of(meter)
        swaps = [(float(t), self._add(1, key=("swap", g))) for t in at]
        steps = [
            (float(t), self._add(1, sd=float(np.sqrt(v)), key=(kind, FLEET)))
            for kind, events in self.events.recorded().items()
            for t, v in zip(*events.events_of(meter), strict=True)
        ]
        steps += [
            (e.at, self._effect(e))
            for e in self._effects
            if (e.kind, e.device_kind, e.device) == ("step", METER, self.devices.meters[meter])
        ]
        origin = float(self.devices.service[meter])
        t = self._instants(meter, obs)
        return Course(line, swaps, steps, self._walk(t, spacing, ("walk", g), origin))

    def _bench_side(self, obs: Observations) -> tuple[Index, Index, Index]:
        d = self.devices
        off = {
            e.device: e.sd for e in self._effects if (e.kind, e.device_kind) == ("offset", BENCH)
        }
        wide = np.array([off.get(b, 0.0) for b in d.benches])
        sd = np.hypot(d.own_bench_u(), wide)
        scale = self._add(len(d.scales), sd=d.scale_u) if d.scales else 0
        self.scale_columns = np.where(d.scale >= 0, d.scale + scale, -1)
        bench = np.arange(len(d.benches)) + (self._add(len(d.benches), sd=sd) if d.benches else 0)
        place = np.arange(len(d.places)) + (
            self._add(len(d.places), sd=d.place_u) if d.places else 0
        )
        crank = np.full(len(d.cranks), -1, dtype=np.int64)
        used = np.unique(obs.shared_crank[obs.shared_crank >= 0])
        if len(used):
            crank[used] = np.arange(len(used)) + self._add(len(used), sd=d.crank_u[used])
        return bench, place, crank

    def _steps(
        self, kind: str, names: list[str], events: CumulativeEvents
    ) -> list[tuple[int, float, int]]:
        """Return (device, instant, column) of every possible step of references or mass sets."""
        steps = [
            (int(d), float(t), self._add(1, sd=float(np.sqrt(v)), key=("event", FLEET)))
            for d, t, v in zip(events.device, events.at, events.size, strict=True)
        ]
        index = {name: i for i, name in enumerate(names)}
        return steps + [
            (index[e.device], e.at, self._effect(e))
            for e in self._effects
            if (e.kind, e.device_kind) == ("step", kind) and e.device in index
        ]

    def _ride_effects(self, obs: Observations) -> Index:
        """Add a column for every ride effect of several blocks; return the effects', −1: none."""
        effects = obs.ride_effects
        columns = np.full(len(effects.names), -1, dtype=np.int64)
        stated = stated_sds(self.settings)
        for k, kind in enumerate(KINDS_OF_RIDES):
            sd, key = stated.get(kind, 1.0), (kind, FLEET) if kind == RIDER else None
            these = np.flatnonzero((effects.kind == k) & ~effects.own)
            if len(these):
                columns[these] = np.arange(len(these)) + self._add(len(these), sd=sd, key=key)
        return columns

    # --- design entries -----------------------------------------------------------------------

    def add_meters(
        self, out: Entries, rows: Index, meter: Index, t: Array, *, swaps: Array, sign: float = 1.0
    ) -> None:
        """Add the sensors' values at 20 °C: group means, and the courses of promoted meters."""
        g, p = self.devices.group[meter], self.population
        age = self.aged(meter, t)
        out.add(rows, p.start[g], np.full(len(rows), sign))
        out.add(rows, p.drift, sign * age)
        out.add(rows, p.drift_of[g], sign * age)
        out.add(rows, p.swap, sign * swaps)
        out.add(rows, p.swap_of[g], sign * swaps)
        for group, at, column in p.bends:
            out.add(rows, column, np.where(g == group, sign * np.maximum(t - at, 0.0), 0.0))
        if p.curves:
            curve = sign * self.curve(meter, t)
            for group, column in p.curves:
                out.add(rows, column, np.where(g == group, curve, 0.0))
        for m, k in rows_of_each(np.where(self.devices.promoted[meter], meter, -1)):
            self._course_entries(out, rows[k], self.courses[m], t[k], age=age[k], sign=sign)

    def _course_entries(
        self, out: Entries, rows: Index, course: Course, t: Array, *, age: Array, sign: float
    ) -> None:
        out.add(rows, course.line, np.full(len(rows), sign))
        out.add(rows, course.line + 1, sign * age)
        for at, column in [*course.swaps, *course.steps]:
            out.add(rows, column, sign * (t >= at).astype(np.float64))
        self._walk_entries(out, rows, course.walk, t, sign=sign)

    def _walk_entries(
        self, out: Entries, rows: Index, walk: Walk, t: Array, *, sign: float
    ) -> None:
        c1, w1, c2, w2 = walk.weights(t)
        out.add(rows, c1, sign * w1)
        out.add(rows, c2, sign * w2)

    def offset_c(self, meter: Index, temperature: Array) -> Array:
        """Return °C above 20 where the group's temperature coefficient is fitted, else 0."""
        p, g = self.population, self.devices.group[meter]
        fitted = (p.temperature_of[g] >= 0) & ~np.isnan(temperature)
        return np.where(fitted, temperature - REFERENCE_TEMPERATURE_C, 0.0)

    def add_temperature(
        self, out: Entries, rows: Index, meter: Index, temperature: Array, *, sign: float = 1.0
    ) -> None:
        """Add what temperatures other than 20 °C do, where the group's coefficient is fitted."""
        x = sign * self.offset_c(meter, temperature)
        out.add(rows, self.population.temperature, x)
        out.add(rows, self.population.temperature_of[self.devices.group[meter]], x)

    def add_references(
        self, out: Entries, rows: Index, ref: Index, t: Array, *, sign: float = 1.0
    ) -> None:
        """Add the references' values."""
        out.add(rows, self.levels[ref], np.full(len(rows), sign))
        for r, k in rows_of_each(ref):
            self._walk_entries(out, rows[k], self.walks[r], t[k], sign=sign)
        for device, at, column in self.reference_steps:
            out.add(rows, column, np.where((ref == device) & (t >= at), sign, 0.0))

    def add_benches(self, out: Entries, rows: Index, bench: Index, t: Array) -> None:
        """Add what the mass sets add to a found value."""
        out.add(rows, self.bench_columns[bench], np.ones(len(rows)))
        out.add(rows, self.scale_columns[bench], np.ones(len(rows)))
        for device, at, column in self.bench_steps:
            out.add(rows, column, np.where((bench == device) & (t >= at), 1.0, 0.0))


def observed_entries(layout: Layout, obs: Observations) -> tuple[Index, Index, Array]:
    """Return the design of all observations as rows, columns and values of its entries."""
    out = Entries()
    every = np.arange(len(obs), dtype=np.int64)
    swaps = layout.events.swap.total(obs.owner, obs.t)
    layout.add_meters(out, every, obs.owner, obs.t, swaps=swaps)
    layout.add_temperature(out, every, obs.owner, obs.temperature)
    rows = np.flatnonzero(obs.other >= 0)
    if len(rows):
        other, t = obs.other[rows], obs.t[rows]
        layout.add_meters(out, rows, other, t, swaps=layout.events.swap.total(other, t), sign=-1.0)
        layout.add_temperature(out, rows, other, obs.temperature[rows], sign=-1.0)
    rows = np.flatnonzero(obs.ref >= 0)
    layout.add_references(out, rows, obs.ref[rows], obs.t[rows], sign=-1.0)
    rows = np.flatnonzero(obs.bench >= 0)
    layout.add_benches(out, rows, obs.bench[rows], obs.t[rows])
    for code, columns in (
        (obs.place, layout.place_columns),
        (obs.shared_crank, layout.crank_columns),
    ):
        rows = np.flatnonzero(code >= 0)
        out.add(rows, columns[code[rows]], np.ones(len(rows)))
    for group, bench, peak, column in layout.population.seasons:
        out.add(every, column, season_direction(layout, obs, group, bench=bench, peak=peak))
    rides = obs.ride_effects
    out.add(rides.row, layout.ride_effect_columns[rides.code], rides.sign)
    return out.joined()


def season_direction(
    layout: Layout, obs: Observations, group: int, *, bench: bool, peak: float
) -> Array:
    """Return what a group's yearly swing of one adds to each observation, [observations].

    bench: of its bench sessions, else of its rides; peak: when it is highest, years. Observations
    whose temperature counts already carry none.
    """
    group_of = layout.devices.group
    sign = (group_of[obs.owner] == group) * 1.0
    sign -= np.where(obs.other >= 0, group_of[obs.other] == group, False)
    warm = (layout.population.temperature_of[group] >= 0) & ~np.isnan(obs.temperature)
    counts = (obs.is_bench == bench) & ~warm
    return np.where(counts, sign * np.cos(2 * np.pi * (obs.t - peak)), 0.0)
