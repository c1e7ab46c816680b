"""Bench days as a mechanic writes them: zeros, hangings, resets, what was left.

Every input differs from what is stated within its stated limits: masses, crank length,
gravity, the crank's angle, the reading's last digit. `bench` rows are returned with, for each
session, what was true.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

import numpy as np

from seeds.devices import Meter
from seeds.hanging import BUOYANCY, Hanging, as_found
from seeds.happenings import (
    ENTERED_MM,
    HUB,
    LOOSE,
    MIRRORED,
    STATIONARY,
    STRUCK,
    TIGHTENED_ON,
    UNRECORDED,
    UNRECORDED_ON,
    UNRECORDED_STEPS,
    WRONG_ENTRY,
    WRONG_ENTRY_ON,
)
from seeds.roster import WRONG_LENGTH, active_days
from seeds.scenario import FIRST, MASS_SETS, PLACES, TECHNICIANS, MassSet, Place, Row, day_of

STANDARD_GRAVITY = 9.80665
MORNING = 9 / 24
RESET_ASKED_FOR = 1.0  # the mechanics reset the slope from this found error on, %
CAMPAIGNS = (
    # first day, last day, place, share of the fleet
    (date(2023, 11, 13), date(2023, 12, 15), "moor-workshop", 0.75),
    (date(2024, 1, 9), date(2024, 1, 20), "fjord-base", 0.35),
    (date(2024, 2, 12), date(2024, 3, 1), "moor-workshop", 0.6),
    (date(2024, 5, 22), date(2024, 6, 5), "high-camp", 0.25),
    (date(2024, 6, 10), date(2024, 6, 20), "moor-workshop", 0.45),
    (date(2024, 10, 7), date(2024, 10, 18), "moor-workshop", 0.75),
    (date(2025, 1, 9), date(2025, 1, 20), "fjord-base", 0.40),
    (date(2025, 2, 10), date(2025, 3, 1), "moor-workshop", 0.6),
    (date(2025, 5, 22), date(2025, 6, 5), "high-camp", 0.3),
    (date(2025, 7, 22), date(2025, 7, 30), "race-truck", 0.15),
    (date(2025, 10, 6), date(2025, 10, 17), "moor-workshop", 0.75),
    (date(2026, 1, 9), date(2026, 1, 20), "fjord-base", 0.40),
    (date(2026, 2, 9), date(2026, 2, 27), "moor-workshop", 0.6),
    (date(2026, 5, 22), date(2026, 6, 5), "high-camp", 0.25),
    (date(2026, 6, 15), date(2026, 6, 24), "moor-workshop", 0.25),
    (date(2026, 9, 14), date(2026, 9, 30), "moor-workshop", 0.3),
)
FORCED: dict[str, tuple[tuple[date, str], ...]] = {
    WRONG_ENTRY: ((WRONG_ENTRY_ON, "moor-workshop"),),
    UNRECORDED: ((date(2025, 10, 9), "moor-workshop"), (date(2026, 2, 18), "moor-workshop")),
    LOOSE: ((date(2026, 2, 11), "moor-workshop"), (TIGHTENED_ON, "moor-workshop")),
    MIRRORED: ((date(2026, 2, 17), "moor-workshop"),),
    STRUCK: ((date(2026, 2, 10), "moor-workshop"),),
    WRONG_LENGTH[0]: ((date(2026, 2, 19), "moor-workshop"), (date(2026, 9, 22), "moor-workshop")),
    HUB: ((date(2024, 2, 20), "moor-workshop"), (date(2025, 2, 18), "moor-workshop"),
          (date(2025, 10, 8), "moor-workshop"), (date(2026, 2, 24), "moor-workshop")),
    "GP-08": ((date(2025, 10, 8), "moor-workshop"), (date(2026, 2, 12), "moor-workshop")),
    "FS-04": ((date(2026, 2, 12), "moor-workshop"), (date(2026, 6, 17), "moor-workshop")),
    "OL-02": ((date(2026, 9, 30), "moor-workshop"),),
}  # fmt: skip
NO_MORE_AFTER = {
    STRUCK: date(2026, 5, 1),
    WRONG_ENTRY: WRONG_ENTRY_ON,
    MIRRORED: date(2026, 2, 17),
    LOOSE: TIGHTENED_ON,
}


@dataclass
class Session:
    """One session: its rows, and what was true when it was measured."""

    session_id: str
    meter: Meter
    t: float
    place: Place
    masses: MassSet
    rows: list[Row]
    error_ln: float
    side_errors: dict[str, float]
    session_noise: float
    entered_mm: float
    true_mm: float
    reset: bool = False
    parts: dict[str, float] = field(default_factory=dict)


def bench_days(
    meters: dict[str, Meter], cranks: dict[str, float], rng: np.random.Generator
) -> list[Session]:
    """Return every bench session, in order of time; resets change the meters' slopes."""
    visits = sorted(_visits(meters, rng), key=lambda v: (v[0], v[1]))
    sessions = []
    for day, meter_id, place_id in visits:
        meter = meters[meter_id]
        place = next(p for p in PLACES if p.place_id == place_id)
        _change_unseen(meter, day)
        sessions.append(_session(meter, day, place, cranks, rng))
    return sessions


def _visits(meters: dict[str, Meter], rng: np.random.Generator) -> list[tuple[int, str, str]]:
    visits: dict[tuple[str, int], str] = {}
    for meter in meters.values():
        if meter.meter_id == STATIONARY:
            continue
        first, last = active_days(meter)
        limit = NO_MORE_AFTER.get(meter.meter_id)
        forced = [(day_of(d), p) for d, p in FORCED.get(meter.meter_id, ())]
        for start, stop, place, share in CAMPAIGNS if meter.meter_id != HUB else ():
            wanted = rng.random() < share
            day = int(rng.integers(day_of(start), day_of(stop) + 1))
            near = any(abs(day - d) < 30 for d, _ in forced)
            late = limit is not None and day > day_of(limit)
            if wanted and not near and not late and first + 5 < day <= last:
                visits[(meter.meter_id, day)] = place
        visits |= {(meter.meter_id, d): p for d, p in forced}
    return [(d, m, p) for (m, d), p in visits.items()]


def _change_unseen(meter: Meter, day: int) -> None:
    """Change this meter's slope by some steps without recording it."""
    side, at = meter.sides[0], day_of(UNRECORDED_ON) + 0.7
    if meter.meter_id == UNRECORDED and day > at and all(t != at for t, _ in side.slopes):
        turned = side.slope(at) - UNRECORDED_STEPS * meter.model.step
        side.program(at, round(turned, meter.model.decimals))


def _session(
    meter: Meter, day: int, place: Place, cranks: dict[str, float], rng: np.random.Generator
) -> Session:
    t = day + MORNING
    if (meter.meter_id, day) != (LOOSE, day_of(TIGHTENED_ON)):
        t += int(rng.integers(0, 40)) / 144
    masses = _mass_set(place, rng)
    mount = meter.mount(t)
    assert mount is not None
    true_mm = mount.crank_mm + cranks[mount.crank_id]
    entered = ENTERED_MM if _is_wrong_entry(meter, t) else mount.crank_mm
    hanging = Hanging(meter, t, place, masses, true_mm, rng)
    rows = as_found(hanging)
    before = {s.name: s.slope(t) for s in meter.sides}
    error, sides = meter.error(t), {s.name or "": meter.side_error(s, t) for s in meter.sides}
    session = Session(
        f"{FIRST + timedelta(days=day):%y%m%d}-{meter.meter_id}", meter, t, place, masses, rows,
        error, sides, hanging.drift, entered, true_mm,
    )  # fmt: skip
    if meter.meter_id == LOOSE and day == day_of(TIGHTENED_ON):
        rows += _again(hanging, "after_work", t + 0.1)
    else:
        _maybe_reset(session, hanging, rng)
    _finish(session, before, hanging)
    return session


def _is_wrong_entry(meter: Meter, t: float) -> bool:
    return meter.meter_id == WRONG_ENTRY and math.floor(t) == day_of(WRONG_ENTRY_ON)


def _mass_set(place: Place, rng: np.random.Generator) -> MassSet:
    if place.place_id == "fjord-base":
        return MASS_SETS[2] if rng.random() < 0.6 else MASS_SETS[1]
    if place.place_id == "moor-workshop":
        return MASS_SETS[0] if rng.random() < 0.8 else MASS_SETS[1]
    return MASS_SETS[1]


def _again(hanging: Hanging, stage: str, t: float) -> list[Row]:
    """Return the same readings once more after work or after a reset."""
    later = Hanging(hanging.meter, t, hanging.place, hanging.masses, hanging.true_mm, hanging.rng)
    later.celsius, later.drift = hanging.celsius, hanging.drift
    return [row | {"stage": stage} for row in as_found(later)]


def evaluated(rows: list[Row], expected: float, arm: str | None = None) -> float:
    """Return the gain error in % as the mechanic works it out: cell means over expected torque."""
    rows = [r for r in rows if r["stage"] == "as_found" and arm in (None, r.get("arm"))]
    zero = np.mean([r["torque_nm"] for r in rows if r["load"] == "zero"])
    cells: dict[object, list[float]] = {}
    for r in rows:
        if r["load"] == "mass":
            ratio = r["torque_nm"] - zero
            if "cog_teeth" in r:
                ratio *= int(r["chainring"]) / r["cog_teeth"]
            cells.setdefault((r.get("arm"), r.get("chainring")), []).append(ratio)
    return 100 * (float(np.mean([np.mean(c) for c in cells.values()])) / expected - 1)


def _maybe_reset(session: Session, hanging: Hanging, rng: np.random.Generator) -> None:
    meter = session.meter
    if meter.model.convention == "fixed" or _left_alone(session):
        return
    expected, forced = stated_torque(session), _is_wrong_entry(session.meter, session.t)
    for side in meter.sides:
        found = evaluated(session.rows, expected, side.name)
        if abs(found) < RESET_ASKED_FOR and not forced:
            continue
        factor = 1 + found / 100 if meter.model.convention == "divisor" else 1 / (1 + found / 100)
        new = round(side.slope(session.t) * factor / meter.model.step) * meter.model.step
        side.program(session.t + 0.02, round(new, meter.model.decimals))
        session.reset = True
    if session.reset and not forced and rng.random() < 0.6:
        session.rows += _again(hanging, "as_left", session.t + 0.03)


def _left_alone(session: Session) -> bool:
    """Return the meters whose error of 2026 the mechanics saw and left alone."""
    late = session.t > day_of(date(2026, 1, 1))
    return late and session.meter.meter_id in (WRONG_LENGTH[0], MIRRORED)


def stated_torque(session: Session) -> float:
    """Return the expected torque from what the team states, N·m."""
    m, p = session.masses, session.place
    g = p.gravity_ms2 or (normal_gravity(p.latitude_deg, p.altitude_m) if p.latitude_deg else None)
    total = m.mass_kg + m.hanger_kg
    return total * (g or STANDARD_GRAVITY) * session.entered_mm / 1000 * BUOYANCY


def normal_gravity(latitude_deg: float, altitude_m: float | None) -> float:
    """Return normal gravity by latitude (WGS84, Somigliana) less free air, m/s²."""
    s = math.sin(math.radians(latitude_deg)) ** 2
    surface = 9.7803253359 * (1 + 0.00193185265241 * s) / math.sqrt(1 - 0.00669437999014 * s)
    return surface - 3.086e-6 * (altitude_m or 0)


def _finish(session: Session, before: dict[str | None, float], hanging: Hanging) -> None:
    """Write the session's own columns on each of its rows."""
    meter = session.meter
    after = {s.name: s.slope(session.t + 0.05) for s in meter.sides}
    slopes: Row = {}
    if meter.model.convention != "fixed":
        for name, old in before.items():
            end = f"_{name}" if name else ""
            slopes[f"slope_before{end}"] = old
            slopes[f"slope_after{end}"] = after[name] if after[name] != old else None
    at = datetime(FIRST.year, FIRST.month, FIRST.day, tzinfo=UTC) + timedelta(days=session.t)
    common: Row = {
        "session_id": session.session_id,
        "meter_id": meter.meter_id,
        "measured_at": at.replace(second=0, microsecond=0),
        "bench_id": session.masses.bench_id,
        "place_id": session.place.place_id,
        "technician": TECHNICIANS[int(hanging.rng.integers(0, 2))],
        "mass_kg": session.masses.mass_kg,
        "hanger_mass_kg": session.masses.hanger_kg,
        "crank_length_mm": session.entered_mm,
        "temperature_c": round(hanging.celsius, 1),
        "soak_min": int(hanging.rng.integers(3, 12)) * 10,
    }
    session.rows = [common | r | {"reading": k + 1} | slopes for k, r in enumerate(session.rows)]
    for row in session.rows:
        if row["load"] == "zero":
            row["mass_kg"], row["hanger_mass_kg"] = 0.0, 0.0
