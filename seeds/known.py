"""The known truth beside the tables: what the models ought to find, and what misleads."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date

import numpy as np

from seeds.bench_days import Session, evaluated, stated_torque
from seeds.devices import Meter, Trainer
from seeds.happenings import Happening
from seeds.rides import Ride
from seeds.scenario import LAST, N_DAYS, PLACES, Row, date_of, day_of

END = N_DAYS - 1e-6
NAIVE_DAYS = 120


def pct(error_ln: float) -> float:
    """Convert 100·ln to plain percent, rounded."""
    return round(100 * math.expm1(error_ln / 100), 4)


def known_days() -> list[date]:
    """Return the first of each month of the data, and its last day."""
    days = [date_of(k) for k in range(N_DAYS)]
    return [d for d in days if d.day == 1] + [LAST]


def gain_errors(meters: dict[str, Meter]) -> list[Row]:
    """Return the true gain error of each meter in use at the end of each known day, at 20 °C."""
    return [
        {"meter_id": m.meter_id, "date": day, "gain_error_pct": pct(m.error(_end_of(day)))}
        for m in meters.values()
        for day in known_days()
        if m.in_use(day_of(day))
    ]


def reference_errors(trainers: dict[str, Trainer]) -> list[Row]:
    """Return the true gain error of each trainer on each known day, drivetrain loss included."""
    return [
        {"reference_id": t.reference_id, "date": day, "gain_error_pct": pct(t.error(day_of(day)))}
        for t in trainers.values()
        for day in known_days()
    ]


def _end_of(day: date) -> float:
    return day_of(day) + 1 - 1e-6


def session_truth(sessions: Iterable[Session], cranks: dict[str, float]) -> list[Row]:
    """Return what was true when each session was measured, and what its inputs were off by (%)."""
    rows: list[Row] = []
    for s in sessions:
        mount = s.meter.mount(s.t)
        assert mount is not None
        stated = stated_torque(s) / s.entered_mm / (s.masses.mass_kg + s.masses.hanger_kg)
        true = s.place.true_gravity * (1 - 1.2 / 8000) / 1000
        rows.append(
            {
                "session_id": s.session_id,
                "meter_id": s.meter.meter_id,
                "gain_error_pct": pct(s.error_ln),
                "gain_error_left_pct": _side(s, "left"),
                "gain_error_right_pct": _side(s, "right"),
                "mass_set_pct": pct(s.masses.error_ln),
                "place_pct": pct(100 * math.log(true / stated)),
                "crank_pct": pct(100 * math.log(s.true_mm / mount.crank_mm)),
                "entry_pct": pct(100 * math.log(mount.crank_mm / s.entered_mm)),
                "reset": s.reset,
            }
        )
    return rows


def _side(session: Session, name: str) -> float | None:
    return pct(session.side_errors[name]) if name in session.side_errors else None


def happenings_table(happenings: Iterable[Happening]) -> list[Row]:
    """Return one row an incident."""
    return [
        {
            "case": h.case,
            "device": h.device,
            "date": h.on,
            "size_pct": None if h.size_pct is None else pct(h.size_pct),
            "text": h.text,
        }
        for h in happenings
    ]


def cases(
    happenings: Iterable[Happening],
    devices: tuple[dict[str, Meter], dict[str, Trainer]],
    sessions: list[Session],
    done: list[Ride],
) -> list[Row]:
    """Return, for each case, what a naive mean says today, what is true, and what to do about it.

    naive_rides_pct  two power columns averaged over the last 120 days, less what the fleet's
                     rides give on average; of a trainer that jumped and of a
                     meter with a new rider: how far its rides rose on that day
    naive_bench_pct  the last found error as entered; of a mass set: the mean found error with
                     it less the mean with the others
    true_pct         the device's gain error at the end of the data; of a mass set: what it adds
    """
    meters, trainers = devices
    rows: list[Row] = []
    for h in happenings:
        if h.device in meters:
            naive = naive_numbers(meters[h.device], sessions, done)
            if h.case == "one-sided meter, new rider":
                mine = [r for r in done if r.meter.meter_id == h.device]
                naive = _naive_change(mine, h.on), naive[1]
            true = pct(meters[h.device].error(END))
        elif h.device in trainers:
            here = [r for r in done if r.reference_id == h.device]
            naive = _naive_change(here, h.on), None
            true = pct(trainers[h.device].error(END))
        else:
            naive, true = _naive_set(h.device, sessions), pct(h.size_pct or 0.0)
        row: Row = {"case": h.case, "device": h.device, "date": h.on}
        row |= {"naive_rides_pct": naive[0], "naive_bench_pct": naive[1], "true_pct": true}
        rows.append(row | {"what_to_do": WHAT_TO_DO[h.case]})
    return rows


Naive = tuple[float | None, float | None]


def naive_numbers(meter: Meter, sessions: list[Session], done: list[Ride]) -> Naive:
    """Return what a naive mean of rides, and the last found error as entered, say of a meter, %."""
    lately = [r for r in done if r.t > END - NAIVE_DAYS]
    usual = float(np.mean([_two_columns(r) for r in lately]))
    mine = [_two_columns(r) for r in lately if r.meter is meter]
    rides = round(float(np.mean(mine)) - usual, 2) if mine else None
    return rides, _last_bench([s for s in sessions if s.meter is meter])


def _naive_change(rides: list[Ride], on: date) -> float:
    """Return how far the two columns' ratio rose on a day, %."""
    near = [r for r in rides if abs(r.t - day_of(on)) < NAIVE_DAYS]
    before, after = (
        float(np.mean([_two_columns(r) for r in near if (r.t >= day_of(on)) == late]))
        for late in (False, True)
    )
    return round(after - before, 2)


def _naive_set(name: str, sessions: list[Session]) -> Naive:
    found = [(s.masses.bench_id == name, evaluated(s.rows, stated_torque(s))) for s in sessions]
    mine, others = (float(np.mean([f for is_it, f in found if is_it == x])) for x in (True, False))
    return None, round(mine - others, 2)


WHAT_TO_DO = {
    "jumping trainer": "spin it down and watch it; its meters are as they were",
    "stamped mass set": "weigh the plates: the mass is wrong, not the meters",
    "struck crank": "bench it: a step since the day it was struck",
    "wrong entry": "undo the reset: the meter reads low by what the entry was off",
    "oval ring": "leave the slope: the ring reads high on the road only",
    "one-sided meter, new rider": "leave it: the rider's legs differ, not the meter",
    "wrong programmed length": "set 170 in the meter; leave the slope",
    "hub": "compare it with the spider on the same bike, never with a trainer",
    "one pedal replaced": "judge the right side from its first day on",
    "unrecorded reset": "the slope changed between two bench days: ask who, keep the sensor's past",
    "mirrored trainer": "the rides prove nothing: believe the bench",
    "loose ring bolts": "tightened at the bench: no slope change",
    "moved to another crank": "nothing: the new crank's length is off by another amount",
    "shows torque only when turning": "rides only",
}


def _two_columns(ride: Ride) -> float:
    """Return the mean of two power columns, in %."""
    meter, reference = (float(sum(row[c] for row in ride.rows)) for c in ("meter_w", "reference_w"))
    return 100 * (meter / reference - 1)


def _last_bench(sessions: list[Session]) -> float | None:
    """Return the last found error as entered, in %."""
    if not sessions:
        return None
    last = max(sessions, key=lambda s: s.t)
    return round(evaluated(last.rows, stated_torque(last)), 2)


def ride_truth(done: Iterable[Ride]) -> list[Row]:
    """Return the true ratio of each ride's gains, in %, and whether the ride proves nothing."""
    return [
        {
            "comparison_id": r.comparison_id,
            "gain_ratio_pct": pct(r.ratio_ln),
            "mirrored": r.mirrored,
        }
        for r in done
    ]


def places_truth() -> list[Row]:
    """Return the true gravity at each place."""
    return [{"place_id": p.place_id, "gravity_ms2": p.true_gravity} for p in PLACES]
