"""What a device shows under a rider: its gain error, and what only rides see of legs and chain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

import polars as pl

from ingest.schema import rider_on
from models.coaching.effort_days import Joint
from models.fleet import METER
from models.metrology import noon, percent_from_ln
from models.records import DAY, RIDER, one_sided, road_effects

if TYPE_CHECKING:
    from models.fleet import Device, FleetFit, RoadEffect


LEGS = (RIDER, DAY)


@dataclass(frozen=True)
class Use:
    """A device on a day or at an instant, under a rider (None: nobody knows whose)."""

    device_id: str
    at: date | datetime
    rider_id: str | None


@dataclass(frozen=True)
class Road:
    """The fleet as riders ride it.

    meters: meter_id, kind; installations, assignments: the tables
    """

    fleet: FleetFit
    meters: pl.DataFrame
    installations: pl.DataFrame
    assignments: pl.DataFrame

    def use(self, device_id: str, at: date | datetime) -> Use:
        """Return a device's use under who rode it then."""
        day = at.date() if isinstance(at, datetime) else at
        return Use(device_id, at, rider_on(self.assignments, device_id, day))

    def sensor(self, uses: Sequence[Use]) -> Joint:
        """Return what the sensors show over what errorless ones would, jointly."""
        return self.fleet.joint(self._devices(uses))

    def rider(self, uses: Sequence[Use]) -> Joint:
        """Return what the sensors show over what the riders put out, jointly."""
        return self.carrying(uses, self._effects(uses))

    def bike(self, uses: Sequence[Use]) -> Joint:
        """Return what the sensors show over what the bikes got, jointly: legs left out."""
        told = [[one for one in own if one[0] not in LEGS] for own in self._effects(uses)]
        return self.carrying(uses, told)

    def added(self, use: Use, *, legs: bool) -> list[tuple[str, float | None]]:
        """Return what stands between sensor and rider: kind, and what it adds, % (None: unknown).

        legs: whether the rider's legs count
        """
        effects = self.fleet.ride_effects().select("kind", "effect", "mean").iter_rows()
        known = {(kind, name): percent_from_ln(mean) for kind, name, mean in effects}
        return [
            (kind, known.get((kind, name)))
            for kind, name in self._effects([use])[0]
            if kind != DAY and (legs or kind not in LEGS)
        ]

    def carrying(self, uses: Sequence[Use], effects: Sequence[Sequence[RoadEffect]]) -> Joint:
        """Return what the sensors show with the effects that each carries, jointly."""
        return self.fleet.joint_on_road(self._devices(uses), effects)

    def unknown(self, uses: Sequence[Use]) -> list[str]:
        """Return what is to be said of legs, rings and chains that nothing tells."""
        known = set(self.fleet.ride_effects().select("kind", "effect").iter_rows())
        carried = zip(uses, self._effects(uses), strict=True)
        told = [
            _WORDS[kind].format(meter=use.device_id, rider=use.rider_id or "its rider")
            for use, effects in carried
            for kind, name in effects
            if kind in _WORDS and (kind, name) not in known
        ]
        return list(dict.fromkeys([*told, *self._unknown_rings(uses)]))

    def sees_left_only(self, device_id: str) -> bool:
        """Tell whether a meter shows one leg as two."""
        kind = self.meters.filter(pl.col("meter_id") == device_id)["kind"]
        return one_sided(kind.item() if len(kind) else None)

    def _devices(self, uses: Sequence[Use]) -> list[tuple[Device, date | datetime]]:
        meters = set(self.meters["meter_id"])
        names: list[Device] = [
            (METER, use.device_id) if use.device_id in meters else use.device_id for use in uses
        ]
        return list(zip(names, [use.at for use in uses], strict=True))

    def _effects(self, uses: Sequence[Use]) -> list[list[RoadEffect]]:
        return road_effects(_frame(uses), self.meters, self.installations)

    def _unknown_rings(self, uses: Sequence[Use]) -> list[str]:
        """Return meters of unknown rings, where some of the team's are oval."""
        shapes = self.installations.select("meter_id", "ring_shape").drop_nulls()
        if "oval" not in shapes["ring_shape"].to_list():
            return []
        meters = set(self.meters["meter_id"]) - set(shapes["meter_id"])
        return [
            f"Nothing says whether {use.device_id} turns round rings or oval ones, which read "
            "high on the road by 1 to 3 %: round is assumed. Fill in ring_shape in installations."
            for use in uses
            if use.device_id in meters
        ]


_WORDS = {
    RIDER: "{meter} sees the left leg alone and no comparison tells the balance of {rider}: the "
    "rider's watts are wider for it. Ride it beside a trainer or a two-sided meter.",
    "drive": "{meter} sits behind the chain and was not compared with a meter at the crank: a "
    "usual loss is assumed, and the rider's watts are wider for it.",
    "ring": "{meter} turns oval rings and no comparison tells what they add: the rider's watts are "
    "wider for it.",
}


def _frame(uses: Sequence[Use]) -> pl.DataFrame:
    at = [use.at if isinstance(use.at, datetime) else noon(use.at) for use in uses]
    return pl.DataFrame(
        {
            "meter_id": [use.device_id for use in uses],
            "measured_at": at,
            "rider_id": [use.rider_id for use in uses],
        },
        schema={
            "meter_id": pl.String,
            "measured_at": pl.Datetime("us", "UTC"),
            "rider_id": pl.String,
        },
    )
