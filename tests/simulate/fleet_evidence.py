"""What a simulated fleet shows of itself: bench sessions with their resets, and rides.

A bench session is read at 09:00, a slope is reset at 09:30, rides end at 17:00, and whatever
happens to a sensor happens at the start of its day.
"""

from __future__ import annotations

import math
from datetime import date, timedelta
from typing import Any

import numpy as np

from tests.simulate.fleet_truth import YEAR, MeterTruth, Unrecorded, World, WrongEntry

BENCH_HOUR, RESET_HOUR, RIDE_HOUR = 9.0 / 24, 9.5 / 24, 17.0 / 24
REFERENCE_TEMPERATURE = 20.0
WRONG_CRANK = 100 * math.log(172.5 / 170)

Row = dict[str, Any]


def bench_days(world: World) -> tuple[list[Row], list[Row]]:
    """All bench sessions and all resets, one row each; `at` in days."""
    sessions: list[Row] = []
    resets: list[Row] = []
    careless = set(world.some(world.settled(), world.options.wrong_entries))
    for meter in world.truth.meters.values():
        if world.rng.random() < world.options.never_benched:
            continue
        days = _visits(world, meter, world.options.bench_rate)
        wrong = _wrong_visit(world, days) if meter.meter_id in careless else None
        for day in days:
            _change_unseen(world, meter, day)
            row = _session(world, meter, day, wrong=day == wrong)
            row["session_id"] = f"S{len(sessions) + 1:05d}"
            sessions.append(row)
            resets.extend(_reset(world, meter, row, forced=day == wrong))
    resets += [_unrecorded_row(world, u, sessions) for u in world.truth.unrecorded]
    resets.sort(key=lambda r: (r["meter_id"], r["latest"]))
    return sessions, resets


def _visits(world: World, meter: MeterTruth, rate: float) -> list[int]:
    """Days of observations: gamma intervals, none on a day of a battery swap."""
    if rate <= 0:
        return []
    rng = world.rng
    first, last = max(meter.start, 0), world.n_days if meter.stop is None else meter.stop
    rate = rate * math.exp(world.options.rate_spread * rng.normal())
    days, day = [], first + rng.uniform(0, 1) * YEAR / rate
    while day < last:
        days.append(int(day))
        day += max(1.0, rng.gamma(3, YEAR / rate / 3))
    if world.options.bunched:
        days = [_pull_to_winter(world, d) for d in days]
    taken = set(meter.battery_days)
    return sorted({d for d in days if first <= d < last and d not in taken})


def _pull_to_winter(world: World, day: int) -> int:
    """Move summer observations into the preceding winter, three times in four."""
    month = (world.options.first_day + timedelta(days=day)).month
    if 5 <= month <= 9 and world.rng.random() < 0.75:
        return day - int(world.rng.uniform(90, 150))
    return day


def _wrong_visit(world: World, days: list[int]) -> int | None:
    eligible = [d for d in days[1:] if d < world.n_days - world.options.quiet_tail * YEAR]
    return int(world.rng.choice(eligible)) if eligible else None


def _session(world: World, meter: MeterTruth, day: int, *, wrong: bool) -> Row:
    options, truth, rng = world.options, world.truth, world.rng
    t = day + BENCH_HOUR
    bench, place = str(rng.choice(list(truth.benches))), str(rng.choice(list(truth.places)))
    crank, celsius = meter.crank(t), _hall_temperature(world, day)
    sd = options.session_u * math.exp(options.session_u_spread * rng.normal())
    dof = float(rng.integers(4, 15))
    shared = truth.benches[bench] + truth.places[place] + truth.cranks[crank]
    shared += sum(j.size for j in truth.jumps if j.device_id == bench and j.day <= t)
    warm = meter.temperature * (celsius - REFERENCE_TEMPERATURE)
    total = math.hypot(sd, options.session_extra)
    found = meter.gain_error(t) + warm + shared + WRONG_CRANK * wrong + _noise(world, total)
    return {
        "meter_id": meter.meter_id,
        "at": t,
        "bench_id": bench,
        "place_id": place,
        "crank_id": crank,
        "found": found,
        "u_session": _stated(world, sd, dof),
        "dof_session": dof,
        "u_bench": math.hypot(options.bench_u[list(truth.benches).index(bench)], options.scale_u),
        "u_place": options.place_u[list(truth.places).index(place)],
        "u_crank": options.crank_u,
        "u_meter": 0.0,
        "temperature_c": celsius if options.thermometer else None,
        "_sd": total,
    }


def _hall_temperature(world: World, day: int) -> float:
    if world.options.cold_hall:
        return ride_temperature(world.options.first_day + timedelta(days=day), world.rng)
    return float(world.rng.normal(19, 2.5))


def _reset(world: World, meter: MeterTruth, row: Row, *, forced: bool) -> list[Row]:
    """Keep the session's truth, and reset the slope if its found value asks for it."""
    options = world.options
    t, session_id = row["at"], row["session_id"]
    world.truth.session_noise[session_id] = row.pop("_sd")
    asked = abs(row["found"]) > options.reset_limit and world.rng.random() < options.reset_chance
    if forced:
        world.truth.wrong_entries.append(
            WrongEntry(session_id, meter.meter_id, t, WRONG_CRANK, reset=True)
        )
    if not (asked or forced):
        return []
    before = meter.programmed(t)
    after = _round(before + row["found"], options.rounding)
    at = t - BENCH_HOUR + RESET_HOUR
    meter.resets.append((at, after))
    return [_reset_row(meter.meter_id, at, before, after)]


def _reset_row(meter_id: str, t: float, before: float, after: float) -> Row:
    return {
        "meter_id": meter_id,
        "at": t,
        "p_before": before,
        "p_after": after,
        "recorded": True,
        "earliest": t,
        "latest": t,
    }


def _change_unseen(world: World, meter: MeterTruth, day: int) -> None:
    """Somebody changed the slope between the last bench day and this one and told no one."""
    planned = world.truth.planned.get(meter.meter_id)
    if planned is None or planned.day >= day:
        return
    del world.truth.planned[meter.meter_id]
    before = meter.programmed(planned.day)
    after = _round(before + planned.size, world.options.rounding)
    if after != before:
        meter.resets.append((planned.day, after))
        world.truth.unrecorded.append(
            Unrecorded(meter.meter_id, planned.day, after - before, before)
        )


def _unrecorded_row(world: World, unseen: Unrecorded, sessions: list[Row]) -> Row:
    """The next session's slope gives an unrecorded reset away; its day stays unknown."""
    at = sorted(s["at"] for s in sessions if s["meter_id"] == unseen.meter_id)
    earlier = [a for a in at if a < unseen.day]
    start = earlier[-1] if earlier else float(max(world.truth.meters[unseen.meter_id].start, 0))
    latest = next(a for a in at if a > unseen.day)
    row = _reset_row(
        unseen.meter_id, (start + latest) / 2, unseen.before, unseen.before + unseen.size
    )
    return row | {"recorded": False, "earliest": start, "latest": latest}


def _noise(world: World, sd: float) -> float:
    nu = world.options.heavy_tails
    if nu <= 2:
        return float(world.rng.normal(0, sd))
    return float(sd * world.rng.standard_t(nu) / math.sqrt(nu / (nu - 2)))


def _stated(world: World, sd: float, dof: float) -> float:
    return sd * math.sqrt(world.rng.chisquare(dof) / dof) if world.options.estimated_u else sd


def _round(value: float, width: float) -> float:
    return round(value / width) * width if width else value


def rides(world: World) -> list[Row]:
    """All comparisons beside a reference, one row each; `at` in days."""
    truth, rng = world.truth, world.rng
    for meter_id in world.some(world.settled(), world.options.meter_references):
        truth.lent[f"ref-{meter_id}"] = meter_id
    n_riders = max(1, len(truth.meters) // 2)
    rows: list[Row] = []
    for i, meter in enumerate(truth.meters.values()):
        homes = _homes(world, meter)
        for day in _visits(world, meter, world.options.comparison_rate if homes else 0.0):
            usual = [h for h in homes if _present(world, h, day)]
            if not usual:
                continue
            reference = usual[0] if rng.random() < 0.7 else str(rng.choice(usual))
            row = _ride(world, meter, reference, day)
            row["comparison_id"] = f"K{len(rows) + 1:06d}"
            row["rider_id"] = f"R{i % n_riders + 1:03d}"
            truth.ride_noise[row["comparison_id"]] = row.pop("_sd")
            rows.append(row)
    for row in rows:
        if rng.random() < world.options.wild_share:
            row["ratio"] += float(rng.uniform(3, 9) * rng.choice([-1.0, 1.0]))
            truth.wild.append(row["comparison_id"])
    return rows


def _homes(world: World, meter: MeterTruth) -> list[str]:
    """The references a meter is ridden beside, the usual one first."""
    truth = world.truth
    others = [r for r, m in truth.lent.items() if m != meter.meter_id]
    homes = world.some([*truth.references, *others], int(world.rng.integers(1, 4)))
    for reference in homes:
        effect = float(world.rng.normal(0, world.options.pair_sd))
        truth.pairs[(meter.meter_id, reference)] = effect
    return homes


def _present(world: World, reference: str, day: int) -> bool:
    lent = world.truth.lent.get(reference)
    return lent is None or world.truth.meters[lent].start <= day


def _ride(world: World, meter: MeterTruth, reference: str, day: int) -> Row:
    options, truth, rng = world.options, world.truth, world.rng
    t = day + RIDE_HOUR
    celsius = ride_temperature(options.first_day + timedelta(days=day), rng)
    warm = celsius - REFERENCE_TEMPERATURE
    own = meter.gain_error(t) + meter.temperature * warm
    if reference in truth.lent:
        device = truth.meters[truth.lent[reference]]
        other = device.gain_error(t) + device.temperature * warm
    else:
        other = float(truth.references[reference][day])
    sd = options.ride_u * math.exp(options.ride_u_spread * rng.normal())
    dof = float(rng.integers(4, 30))
    grown = 3.0 if day >= truth.noisy.get(meter.meter_id, world.n_days) else 1.0
    total = grown * meter.noise * math.hypot(sd, options.ride_extra)
    pair = truth.pairs[(meter.meter_id, reference)]
    return {
        "meter_id": meter.meter_id,
        "reference_id": reference,
        "at": t,
        "ratio": own - other + pair + _noise(world, total),
        "u": _stated(world, sd, dof),
        "dof": dof,
        "temperature_c": celsius if options.thermometer else None,
        "pair_key": f"{meter.meter_id}|{reference}",
        "_sd": total,
    }


def ride_temperature(day: date, rng: np.random.Generator) -> float:
    """Temperature of a ride, °C: warm in July, cold in January."""
    season = math.cos(2 * math.pi * (day.timetuple().tm_yday - 197) / YEAR)
    return float(17 + 9 * season + rng.normal(0, 3))
