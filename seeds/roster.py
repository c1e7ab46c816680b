"""Who rides which meter on which bike, and what became of the meters that left."""

from __future__ import annotations

from datetime import date

import numpy as np

from seeds.devices import Meter, Mount
from seeds.scenario import JOINED, LEFT, N_DAYS, RIDERS, day_of

CRANKS_MM = (165.0, 170.0, 172.5, 175.0)
RINGS = ((54, 40), (53, 39), (52, 36))

GONE: dict[str, tuple[date, str]] = {
    "FS-24": (date(2025, 8, 17), "lost"),
    "OL-19": (date(2025, 11, 14), "sold"),
    "GP-12": (date(2026, 6, 30), "returned"),
    "OL-20": (date(2025, 3, 2), "written_off"),
}
REPLACED = {"OL-18": "OL-20"}
HANDOVER = ("OL-07", date(2026, 4, 20), "Tilda")
MOVED_CRANK = ("FS-09", date(2025, 7, 14))
OVAL = ("FS-04", date(2026, 3, 2))
WRONG_LENGTH = ("GP-03", date(2026, 1, 20))
SHARED_BIKE = {"HB-01": "FS-03", "ST-01": "FS-09"}


def crank_of(rider: str | None) -> float:
    """Return each rider's crank length, mm."""
    if rider is None or rider == "Sander":
        return 172.5
    return CRANKS_MM[(RIDERS.index(rider) * 7 + 1) % 3 + (RIDERS.index(rider) % 5 == 0)]


def assign(meters: dict[str, Meter], rng: np.random.Generator) -> None:
    """Give every meter its riders, bikes and cranks; take out those that left."""
    for meter_id, (day, state) in GONE.items():
        meters[meter_id].stop, meters[meter_id].state = day_of(day), state
        meters[meter_id].in_service = min(meters[meter_id].in_service, -150)
    for new, old in REPLACED.items():
        meters[new].replaces = old
        meters[new].in_service = day_of(GONE[old][0]) + 9
        meters[new].batteries = [b for b in meters[new].batteries if b > meters[new].in_service]
    for k, meter in enumerate(meters.values()):
        rider, role = _first_rider(meter, k)
        meter.held = _holdings(meter, rider, role)
        _mount(meter, rider, role, rng)
    for meter_id in ("FS-23", "FS-25", "GP-13"):
        meters[meter_id].state = "spare"
    meters["GP-12"].owner = "lent by a sponsor"
    _hand_over(meters)
    _move_crank(meters)
    _change_rings(meters)
    _share_bikes(meters)


def _first_rider(meter: Meter, k: int) -> tuple[str | None, str]:
    i = int(meter.meter_id[3:]) - 1
    group = meter.model.prefix
    if group == "FS":
        return (RIDERS[i], "race") if i < 22 else (None, "spare")
    if group == "OL":
        return (RIDERS[i % 24], "training") if i < 18 else (RIDERS[18 + i % 6], "home")
    if group == "GP":
        return (RIDERS[13 + i], "race" if i >= 9 else "training") if i < 11 else (None, "spare")
    return {"HB": ("Casper", "training"), "TW": ("Edda", "race"), "ST": ("Ilse", "home")}[group]


def _holdings(
    meter: Meter, rider: str | None, role: str
) -> list[tuple[int, int | None, str | None, str]]:
    start = max(meter.in_service, 0)
    if rider in JOINED:
        start = max(start, day_of(JOINED[rider]))
    if rider in LEFT and meter.stop is None:
        gone = day_of(LEFT[rider])
        if start > gone:
            return [(start, None, None, "spare")]
        return [(start, gone, rider, role), (gone + 1, None, None, "spare")]
    return [(start, meter.stop, rider, role)]


def _mount(meter: Meter, rider: str | None, role: str, rng: np.random.Generator) -> None:
    length = crank_of(rider)
    rings = RINGS[int(rng.integers(0, 3))]
    bike = f"bike-{rider or meter.meter_id}-{role}"
    crank = f"crank-{meter.meter_id}"
    mount = Mount(meter.in_service, None, bike, crank, length, length, rings)
    meter.mounts = [mount]


def _remount(meter: Meter, day: int, **changes: object) -> None:
    last = meter.mounts[-1]
    meter.mounts[-1] = Mount(**(vars(last) | {"stop": day - 1}))
    meter.mounts.append(Mount(**(vars(last) | {"start": day, "stop": None} | changes)))


def _hand_over(meters: dict[str, Meter]) -> None:
    meter_id, day, rider = HANDOVER
    meter = meters[meter_id]
    start, _, first, role = meter.held[-1]
    meter.held = [(start, day_of(day), first, role), (day_of(day), None, rider, role)]


def _move_crank(meters: dict[str, Meter]) -> None:
    meter_id, day = MOVED_CRANK
    _remount(meters[meter_id], day_of(day), crank_id=f"crank-{meter_id}-b")


def _change_rings(meters: dict[str, Meter]) -> None:
    meter_id, day = OVAL
    _remount(meters[meter_id], day_of(day), shape="oval", rings=(53, 39))
    meter_id, day = WRONG_LENGTH
    meter = meters[meter_id]
    first = meter.mounts[0]
    meter.mounts[0] = Mount(**(vars(first) | {"crank_mm": 172.5, "programmed_mm": 172.5}))
    _remount(meter, day_of(day), crank_id=f"crank-{meter_id}-b", crank_mm=170.0)


def _share_bikes(meters: dict[str, Meter]) -> None:
    """The hub and the one that shows nothing standing ride on a bike that has a spider too."""
    for meter_id, other in SHARED_BIKE.items():
        host = meters[other].mounts[-1]
        meters[meter_id].mounts = [
            Mount(**(vars(m) | {
                "bike_id": host.bike_id, "rings": host.rings, "crank_mm": host.crank_mm,
                "programmed_mm": host.crank_mm, "crank_id": host.crank_id}))
            for m in meters[meter_id].mounts
        ]  # fmt: skip


def active_days(meter: Meter) -> tuple[int, int]:
    """Return the first and last day of the data on which the meter is in the fleet."""
    return max(meter.in_service, 0), N_DAYS - 1 if meter.stop is None else meter.stop
