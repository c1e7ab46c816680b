"""Answer what can be asked of a fitted fleet."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import polars as pl

from models.fleet.adjusted_observations import adjusted_observation_frame
from models.fleet.ageing import AgeingRates, ageing_rates, group_course
from models.fleet.alarms import step_power_frame
from models.fleet.design import BENCH, METER, REFERENCE, Effect, Prepared
from models.fleet.drift import drift_frame
from models.fleet.forecast import forecast_all
from models.fleet.inference import Hyper, Posterior, Targets, innovation_frame
from models.fleet.next_session import SharedPart, shared_part
from models.fleet.on_the_road import RoadEffect, effect_moments, joint_on_road
from models.fleet.temperature_coefficient import temperature_coefficient_frame
from models.fleet.variance_components import variance_component_frame
from models.metrology import DAYS_A_YEAR, Array, date_of, year_of

Device = str | tuple[str, str]
"""A meter, reference or mass set by its id; (kind, id) where ids of two kinds coincide."""

When = date | datetime
_ENOUGH_METERS = 60
"""More meters tell no better what all have in common."""


@dataclass
class FleetFit:
    """A fleet model with its hyperparameters, and every device's gain error at any date.

    hyper      hyperparameters by group and fleet, with standard errors
    converged  False: message says why, and every number of this fit should say so too
    weights    one row an observation: kind, id, weight (of its noise, 1: full), scale (the meter's
               own noise over the usual, see models.fleet.inference.noise_scales), used
    alarms     one row an alarm (see models.fleet.alarms.alarm_table)
    effects    what the alarms have put into the model
    All values are 100·ln.
    """

    hyper: Hyper
    converged: bool
    message: str
    n_iter: int
    weights: pl.DataFrame
    alarms: pl.DataFrame
    effects: list[Effect]
    today: date
    prepared: Prepared
    posterior: Posterior

    def gain_error(
        self, devices: Sequence[Device] | Device, dates: Sequence[When] | When
    ) -> tuple[Array, Array]:
        """Return mean and standard deviation of gain errors, elementwise over devices and dates.

        One device or one date serves for all. A calendar day means its end. Smoothed: all data
        count, before and after the date; beyond today the battery swaps to be expected do too.
        A mass set's value is what it adds to a found gain error; a reference's includes the mean
        pair effect.
        """
        mean, variance = self.posterior.variance(self._targets(devices, dates))
        return mean, np.sqrt(np.maximum(variance, 0.0))

    def joint(self, pairs: Sequence[tuple[Device, When]]) -> tuple[Array, Array]:
        """Return mean [n] and covariance [n, n] of the gain errors of n (device, date) pairs."""
        devices = [d for d, _ in pairs]
        return self.posterior.covariance(self._targets(devices, [w for _, w in pairs]))

    def common_sd(self, meters: Sequence[str], when: When) -> float | None:
        """Return the sd of what all meters are off by together; None with fewer than two.

        The mean covariance of two of them: what the mass sets, places and shared means leave open.
        """
        every = max(len(meters) // _ENOUGH_METERS, 1)
        chosen = list(meters)[::every]
        n = len(chosen)
        if n < 2:
            return None
        _, covariance = self.joint([((METER, m), when) for m in chosen])
        between = float(covariance.sum() - np.trace(covariance)) / (n * (n - 1))
        return float(np.sqrt(max(between, 0.0)))

    def forecast(self, as_of: When, horizon_days: Array) -> tuple[Array, Array]:
        """Return means and standard deviations of all meters' gain errors, [meters, horizons] each.

        In the order of the meters frame, at as_of (a calendar day: its end) plus each horizon.
        Battery swaps to be expected after today count with their mean step and spread.
        """
        t = year_of(as_of) + np.asarray(horizon_days, dtype=np.float64) / DAYS_A_YEAR
        mean, variance = forecast_all(self.posterior, t)
        return mean, np.sqrt(np.maximum(variance, 0.0))

    def innovations(self) -> pl.DataFrame:
        """Return the one-step-ahead innovations, a row an observation; see `innovation_frame`."""
        return innovation_frame(self.posterior.state)

    def adjusted_observations(self) -> pl.DataFrame:
        """Return the gain error each observation shows; see `adjusted_observation_frame`."""
        return adjusted_observation_frame(self.posterior.state, self.weights)

    def ride_effects(self) -> pl.DataFrame:
        """Return what rides show and the bench does not: effect, kind, mean and sd (100·ln)."""
        effects = self.prepared.obs.ride_effects
        mean, sd = effect_moments(self.posterior.state)
        return pl.DataFrame(
            {"effect": effects.names, "kind": effects.kinds, "mean": mean, "sd": sd},
            schema={"effect": pl.String, "kind": pl.String, "mean": pl.Float64, "sd": pl.Float64},
        )

    def joint_on_road(
        self, pairs: Sequence[tuple[Device, When]], carried: Sequence[Sequence[RoadEffect]]
    ) -> tuple[Array, Array]:
        """Return the same of what n devices show over the rider's true watts; see `joint_on_road`.

        carried: the ride effects of each pair (see `models.records.road_effects`)
        """
        targets = self._targets([d for d, _ in pairs], [w for _, w in pairs])
        return joint_on_road(self.posterior, self.prepared.obs.ride_effects, targets, carried)

    def repeatability(self, *, besides: Collection[str] = ()) -> dict[str, float]:
        """Return the sd from day to day (100·ln) of each meter and reference on rides.

        The fleet's own comparisons say so, group by group: their noise beyond the stated one, the
        other device's part left in it. A reference takes the mean of the groups, those of the
        meters `besides` left out: a rider's balance from day to day is in them.
        """
        devices, own = self.prepared.devices, self.hyper.sd("ride")
        of = zip(devices.meters, devices.group.tolist(), strict=True)
        telling = sorted({group for meter, group in of if meter not in besides})
        usual = float(np.sqrt(np.mean(own[telling or slice(None)] ** 2))) if len(own) else 0.0
        return {
            **dict.fromkeys(devices.references, usual),
            **dict(zip(devices.meters, own[devices.group].tolist(), strict=True)),
        }

    def drift(self) -> pl.DataFrame:
        """Return the ageing rate of every meter; see `drift_frame`."""
        return drift_frame(self.posterior, year_of(self.today))

    def shared_part(self, meter: str, dates: Sequence[When]) -> SharedPart | None:
        """Return what a meter's next session shares with its last; see `shared_part`."""
        t = np.array([year_of(when) for when in dates])
        return shared_part(self.posterior, self.prepared.devices.meters.index(meter), t)

    def ageing(self) -> AgeingRates:
        """Return how meters and groups age; see `ageing_rates`."""
        return ageing_rates(self.posterior, year_of(self.today))

    def group_course(self, group: str, ages: Array) -> pl.DataFrame:
        """Return a group's change with age since new; see `models.fleet.ageing`."""
        return group_course(self.posterior, group, ages)

    def changes(self, days: Sequence[date]) -> Array:
        """Return how far every meter's sensor has moved since new [meters, days], 100·ln.

        Resets are added back; nan before a meter was in service.
        """
        devices = self.prepared.devices
        t, every = np.array([year_of(day) for day in days]), np.arange(len(devices.meters))
        mean, _ = forecast_all(self.posterior, t)
        start, _ = self.posterior.variance(Targets([METER] * every.size, every, devices.service))
        meter = np.repeat(every, t.size)
        slopes = self.prepared.programmed
        p = slopes.mean(meter, np.tile(t, every.size)).reshape(mean.shape)
        moved = mean + p - (start + slopes.mean(every, devices.service))[:, None]
        return np.where(t >= devices.service[:, None], moved, np.nan)

    def steps_between(self) -> pl.DataFrame:
        """Return the steps of meters that alarms found: meter_id, earliest and latest day.

        The days are those of the observations before and after, both included.
        """
        rows = [
            (effect.device, date_of(effect.since), date_of(effect.at))
            for effect in self.effects
            if (effect.kind, effect.device_kind) == ("step", METER) and effect.since > 0
        ]
        schema = {"meter_id": pl.String, "earliest": pl.Date, "latest": pl.Date}
        return pl.DataFrame(rows, schema=schema, orient="row").sort("meter_id", "latest")

    def variance_components(self, *, rng: np.random.Generator) -> pl.DataFrame:
        """Return where the spread comes from; see `variance_component_frame`."""
        return variance_component_frame(self.prepared, self.hyper, self.posterior.outlook, rng=rng)

    def step_power(self) -> pl.DataFrame:
        """Return how likely an unrecorded step is named in time; see `step_power_frame`."""
        return step_power_frame(self.prepared, self.posterior.state, self.effects)

    def temperature_coefficients(self) -> pl.DataFrame:
        """Return every meter's temperature coefficient; see `temperature_coefficient_frame`."""
        return temperature_coefficient_frame(self.posterior)

    def _targets(self, devices: Sequence[Device] | Device, dates: Sequence[When] | When) -> Targets:
        chosen: list[Device] = [devices] if isinstance(devices, str | tuple) else list(devices)
        when = [dates] if isinstance(dates, date) else list(dates)
        n = max(len(chosen), len(when)) if chosen and when else 0
        chosen = chosen * n if len(chosen) == 1 else chosen
        when = when * n if len(when) == 1 else when
        if len(chosen) != len(when):
            raise ValueError(f"{len(chosen)} devices but {len(when)} dates: give a date for each")
        found = [self.resolve(d) for d in chosen]
        return Targets(
            [k for k, _ in found],
            np.array([i for _, i in found], dtype=np.int64),
            np.array([year_of(w) for w in when]),
        )

    def resolve(self, device: Device) -> tuple[str, int]:
        """Return kind and index of a device. KeyError: the fleet has no such device."""
        known = self.prepared.devices
        kind, name = device if isinstance(device, tuple) else (None, device)
        if kind in (None, REFERENCE) and name in known.reference_meter:
            return METER, known.reference_meter[name]
        for k, names in (
            (METER, known.meters),
            (REFERENCE, known.references),
            (BENCH, known.benches),
        ):
            if kind in (None, k) and name in names:
                return k, names.index(name)
        raise KeyError(f"no device called {name!r} in this fleet")
