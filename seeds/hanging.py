"""What a meter shows at the bench: every input is off, within what is stated of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import numpy as np

from seeds.devices import Meter, Side
from seeds.happenings import HUB_CHAIN_LOSS
from seeds.scenario import MassSet, Place, Row, day_of

BUOYANCY = 1 - 1.2 / 8000
LEVER_SINCE = day_of(date(2025, 10, 1))
HUB_COG = 28


@dataclass
class Hanging:
    """The physics of one session: what the meter shows when the masses hang on it."""

    meter: Meter
    t: float
    place: Place
    masses: MassSet
    true_mm: float
    rng: np.random.Generator
    celsius: float = 0.0
    drift: float = 0.0

    def __post_init__(self) -> None:
        self.celsius = float(self.rng.normal(19.5, 1.5))
        self.drift = float(self.rng.normal(0, 0.08))  # % of this session, in no budget

    def shown(self, side: Side, *, off_pct: float = 0.0, keep: bool = False) -> float:
        """Return the torque shown with the masses on a crank that is level to the eye, N·m.

        keep: before the zero and the last digit.
        """
        torque = self.masses.true_total_kg * self.place.true_gravity * BUOYANCY
        torque *= self.true_mm / 1000 * math.cos(math.radians(self.rng.normal(0, 1.3)))
        warm = self.meter.warm * (self.celsius - 20)
        gain = math.exp((self.meter.side_error(side, self.t) + warm) / 100)
        gain *= 1 + (self.drift + off_pct + self.rng.normal(0, 0.12)) / 100
        return torque * gain if keep else self.last_digit(torque * gain + self.zero())

    def zero(self) -> float:
        """Return the torque shown with nothing on, N·m (its noise included)."""
        return self.meter.zero(self.t, self.celsius) + float(self.rng.normal(0, 0.015))

    def last_digit(self, torque: float) -> float:
        """Return the torque to the display's last digit."""
        r = self.meter.model.resolution
        return round(round(torque / r) * r, 2)


def _row(load: str, torque: float, **more: object) -> Row:
    return {"load": load, "torque_nm": torque, "stage": "as_found"} | more


def as_found(hanging: Hanging) -> list[Row]:
    """Return the readings of one session in the order in which a mechanic takes them."""
    kind = hanging.meter.model.kind
    readings = {
        "crank_spider": _spider,
        "crank_arm_left": _left_arm,
        "pedal_pair": _both_sides,
        "crank_arm_pair": _both_sides,
        "hub": _hub,
    }[kind](hanging)
    return readings


def _zero_row(hanging: Hanging, **more: object) -> Row:
    return _row("zero", hanging.last_digit(hanging.zero()), **more)


def _spider(hanging: Hanging) -> list[Row]:
    """Return the readings: zero, both arms on both rings, zero again."""
    meter, rows = hanging.meter, [_zero_row(hanging)]
    for ring, ring_sign in (("small", 0.5), ("large", -0.5)):
        for arm, arm_sign in (("left", 0.5), ("right", -0.5)):
            off = ring_sign * meter.ring_pct + arm_sign * meter.arm_pct
            torque = hanging.shown(meter.sides[0], off_pct=off)
            rows.append(_row("mass", torque, chainring=ring, arm=arm))
    return [*rows, _zero_row(hanging)]


def _left_arm(hanging: Hanging) -> list[Row]:
    """Return the readings: zero, three hangings, each re-hung, zero again."""
    side = hanging.meter.sides[0]
    hung = [_row("mass", hanging.shown(side), arm="left") for _ in range(3)]
    return [_zero_row(hanging, arm="left"), *hung, _zero_row(hanging, arm="left")]


def _both_sides(hanging: Hanging) -> list[Row]:
    """Return the readings of each side: zero, two hangings, zero."""
    rows: list[Row] = []
    for side in hanging.meter.sides:
        hung = [_row("mass", hanging.shown(side), arm=side.name) for _ in range(2)]
        rows += [_zero_row(hanging, arm=side.name), *hung, _zero_row(hanging, arm=side.name)]
    return rows


def _hub(hanging: Hanging) -> list[Row]:
    """Return readings of a lever on the cassette; in the first years, through the chain."""
    read = _through_chain if hanging.t < LEVER_SINCE else _on_lever
    hung = [read(hanging, direction) for direction in ("up", "down") * 2]
    return [_zero_row(hanging), *hung, _zero_row(hanging)]


def _on_lever(hanging: Hanging, direction: str) -> Row:
    off = -0.07 if direction == "up" else 0.07
    torque = hanging.shown(hanging.meter.sides[0], off_pct=off)
    return _row("mass", torque, direction=direction, loading_path="lever_on_cassette")


def _through_chain(hanging: Hanging, direction: str) -> Row:
    """Return the torque at the hub: the crank's times cog over ring, less the chain's friction."""
    mount = hanging.meter.mount(hanging.t)
    assert mount is not None
    ring = mount.rings[1]
    off = (-0.25 if direction == "up" else 0.25) - HUB_CHAIN_LOSS
    at_crank = hanging.shown(hanging.meter.sides[0], off_pct=off, keep=True)
    torque = hanging.last_digit(at_crank * HUB_COG / ring + hanging.zero())
    return _row("mass", torque, direction=direction, loading_path="crank",
                cog_teeth=HUB_COG, chainring=str(ring))  # fmt: skip
