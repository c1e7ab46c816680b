"""What goes wrong at Larkmoor: each entry changes a device's true course."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from seeds.devices import MODELS, Meter, Trainer, draw_sensor
from seeds.roster import HANDOVER, MOVED_CRANK, OVAL, REPLACED, WRONG_LENGTH
from seeds.scenario import (
    JUMP_ON,
    JUMP_SIZE,
    JUMPED_TRAINER,
    MASS_SETS,
    TRAINERS,
    Row,
    date_of,
    day_of,
)

STRUCK, STRUCK_ON, STRUCK_SIZE, STRUCK_ZERO = "FS-11", date(2026, 5, 18), -3.1, 0.55
WRONG_ENTRY, WRONG_ENTRY_ON, ENTERED_MM = "FS-19", date(2026, 2, 12), 170.0
UNRECORDED, UNRECORDED_ON, UNRECORDED_STEPS = "FS-15", date(2025, 12, 9), 9
MIRRORED, MIRRORED_FROM, MIRROR = "OL-14", date(2026, 3, 1), TRAINERS[3]
NEW_PEDAL, NEW_PEDAL_ON = "GP-08", date(2025, 11, 3)
LOOSE, LOOSE_ON, TIGHTENED_ON, LOOSE_SIZE = "FS-22", date(2026, 5, 2), date(2026, 6, 18), 1.7
STATIONARY = "ST-01"
HUB = "HB-01"
OVAL_READS_HIGH = 1.8
HUB_CHAIN_LOSS = 0.7
HUB_SEES_LESS = 2.1  # drivetrain loss between crank and hub on the road
CRASH, CRASH_ON = "FS-06", date(2025, 4, 13)


@dataclass(frozen=True)
class Happening:
    """One thing that happened, for the list of known truth."""

    case: str
    device: str
    on: date
    size_pct: float | None
    text: str


def befall(
    meters: dict[str, Meter], trainers: dict[str, Trainer], rng: np.random.Generator
) -> list[Happening]:
    """Change the meters' courses and say what was done to them."""
    struck = meters[STRUCK]
    struck.sides[0].steps.append((float(day_of(STRUCK_ON)), STRUCK_SIZE))
    struck.zero_steps.append((float(day_of(STRUCK_ON)), STRUCK_ZERO))
    loose = meters[LOOSE].sides[0]
    loose.steps.append((float(day_of(LOOSE_ON)), LOOSE_SIZE))
    loose.steps.append((day_of(TIGHTENED_ON) + 0.40, -LOOSE_SIZE))
    _age(meters[MIRRORED], date(2025, 10, 20), date(2026, 2, 10), -2.4)
    _replace_pedal(meters[NEW_PEDAL], rng)
    for meter_id in (STRUCK, LOOSE, WRONG_ENTRY, UNRECORDED, OVAL[0], *REPLACED):
        _calm(meters[meter_id])
    return _said(meters)


def _calm(meter: Meter) -> None:
    """Keep a meter that a case is about from being off for another reason as well."""
    side = meter.sides[0]
    side.sensor *= 0.5


def _age(meter: Meter, start: date, stop: date, by: float) -> None:
    """Let a meter age by so much between two days."""
    _calm(meter)
    days = np.arange(len(meter.sides[0].sensor))
    meter.sides[0].sensor += by * np.clip(
        (days - day_of(start)) / (day_of(stop) - day_of(start)), 0, 1
    )


def _replace_pedal(meter: Meter, rng: np.random.Generator) -> None:
    """A new right pedal: a new sensor at the factory's slope."""
    day = day_of(NEW_PEDAL_ON)
    right = next(s for s in meter.sides if s.name == "right")
    gypsum = next(m for m in MODELS if m.prefix == "GP")
    fresh = draw_sensor(gypsum, day, [], rng)
    right.sensor[:day] -= 1.1
    right.sensor[day:] = fresh[day:]
    right.program(float(day), right.factory)


def _said(meters: dict[str, Meter]) -> list[Happening]:
    pct = LOOSE_SIZE
    stamped = MASS_SETS[2]
    cases: tuple[tuple[str, str, date, float | None, str], ...] = (
        ("struck crank", STRUCK, STRUCK_ON, STRUCK_SIZE, "struck; nobody wrote it down"),
        ("wrong entry", WRONG_ENTRY, WRONG_ENTRY_ON, 1.46,
         "crank length entered as 170 for 172.5; the slope was reset on it"),
        ("jumping trainer", JUMPED_TRAINER, JUMP_ON, JUMP_SIZE, "reads higher from this day on"),
        ("oval ring", OVAL[0], OVAL[1], OVAL_READS_HIGH,
         "reads high on the road only; the bench sees nothing"),
        ("one-sided meter, new rider", HANDOVER[0], HANDOVER[1], None,
         f"handed to {HANDOVER[2]}, whose left leg does less"),
        ("wrong programmed length", WRONG_LENGTH[0], WRONG_LENGTH[1], 1.47,
         "172.5 programmed, on a 170 crank: fix the setting, not the slope"),
        ("hub", HUB, date(2024, 1, 1), None, "on the bike of FS-03; compared with it alone"),
        ("one pedal replaced", NEW_PEDAL, NEW_PEDAL_ON, None,
         "the right pedal was replaced: one side starts anew"),
        ("unrecorded reset", UNRECORDED, UNRECORDED_ON, None,
         "slope changed between two bench days; nobody wrote it down"),
        ("mirrored trainer", MIRRORED, MIRRORED_FROM, 0.0,
         f"{MIRROR} repeats the meter's own power: these rides prove nothing"),
        ("stamped mass set", stamped.bench_id, date(2025, 1, 8), stamped.error_ln,
         "20.0 behaves like 19.86"),
        ("loose ring bolts", LOOSE, LOOSE_ON, pct, "until tightened at the bench"),
        ("moved to another crank", MOVED_CRANK[0], MOVED_CRANK[1], 0.0,
         "the new crank's length error is another; the meter's gain is as it was"),
        ("shows torque only when turning", STATIONARY, date(2024, 1, 1), None,
         "never at the bench: rides only"),
    )  # fmt: skip
    return [Happening(*case) for case in cases]


def events_table(meters: dict[str, Meter], trainers: dict[str, Trainer]) -> list[Row]:
    """events: what the team wrote down (the strike and the trainer's jump are not in it)."""
    rows: list[Row] = []
    for meter in meters.values():
        rows += [
            _event("meter_id", meter.meter_id, day, "battery_swap", cost=_battery_cost(meter))
            for day in meter.batteries
            if meter.in_use(day)
        ]
    for trainer in trainers.values():
        rows += [
            _event("reference_id", trainer.reference_id, d, "spindown") for d in trainer.spindowns
        ]
    last_spider_swap = max(
        (r for r in rows if (r["meter_id"] or "").startswith("FS")), key=lambda r: r["date"]
    )
    last_spider_swap |= {"state": "proposed", "note": "voltage rose from low to fresh on a ride"}
    rows += _special_events()
    return sorted(rows, key=lambda r: (r["date"], r["meter_id"] or "", r["reference_id"] or ""))


def _battery_cost(meter: Meter) -> float:
    return {"FS": 2.5, "OL": 3.0, "GP": 6.0}.get(meter.model.prefix, 3.0)


def _event(key: str, device: str, day: int | date, event: str, **more: Any) -> Row:
    row: Row = dict.fromkeys(
        ("meter_id", "reference_id", "bench_id", "date", "event", "side", "size_pct", "cost",
         "note", "state")
    )  # fmt: skip
    on = day if isinstance(day, date) else date_of(day)
    return row | {key: device, "date": on, "event": event, "state": "confirmed"} | more


def _special_events() -> list[Row]:
    meter = "meter_id"
    return [
        _event("bench_id", "set-A", date(2025, 10, 6), "recertified", cost=85.0),
        _event("bench_id", "set-C", date(2025, 1, 9), "moved", note="taken to the winter base"),
        _event(meter, OVAL[0], OVAL[1], "chainring_change", note="oval rings"),
        _event(meter, MOVED_CRANK[0], MOVED_CRANK[1], "crank_change",
               note="new crank of the same length"),
        _event(meter, WRONG_LENGTH[0], WRONG_LENGTH[1], "remount", note="onto a 170 crank"),
        _event(meter, NEW_PEDAL, NEW_PEDAL_ON, "service", side="right", cost=390.0,
               note="right pedal replaced by a new one"),
        _event(meter, LOOSE, TIGHTENED_ON, "service", note="ring bolts were loose; tightened"),
        _event(meter, CRASH, CRASH_ON, "crash", note="slid on gravel, scratched"),
        _event(meter, "FS-02", date(2025, 2, 3), "firmware_update", note="4.1"),
        _event(meter, "FS-08", date(2025, 2, 3), "firmware_update", note="4.1"),
        _event(meter, "GP-05", date(2024, 9, 30), "factory_service", side="both", cost=120.0),
        _event(meter, "GP-09", date(2026, 3, 12), "remount", note="back after a bike change"),
        _event(meter, "FS-24", date(2025, 8, 17), "lost", note="stolen with the bike"),
        _event(meter, "OL-19", date(2025, 11, 14), "sold"),
        _event(meter, "GP-12", date(2026, 6, 30), "returned", note="loan ended"),
    ]  # fmt: skip
