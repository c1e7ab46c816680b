"""What a bench page is given to judge readings without the server: inputs, pasts, rules, words.

The page computes expected torque, accept limits, ratios and plausible mistakes itself. The
constants of those rules and the templates of what it says travel with the data, so that they are
written down once.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import UTC, date, datetime, time, timedelta
from types import ModuleType
from typing import Any, NamedTuple, cast

import polars as pl

from ingest.schema import TABLES
from models.bench import advice, causes, findings, judging, measurement
from models.bench.causes import Movement, Observed, Past, happenings
from models.bench.evaluation import evaluate_bench, judged
from models.bench.judging import Forecast, Judge, Opened, carried_on, fold_hangs, looked_at
from models.bench.kit_types import (
    Fitted,
    ForecastRow,
    GravityRow,
    HandRow,
    HangRow,
    KindRow,
    Kit,
    LastSession,
    LastSlopes,
    MassSetKit,
    MeterKit,
    PastRow,
    PlaceKit,
    PlannedRow,
    SetupRow,
)
from models.bench.measurement import (
    BUOYANCY_RELATIVE,
    KINDS,
    MASS,
    NO_SCATTER,
    OFF_LEVEL_RELATIVE,
    Installation,
    KindRule,
    MassSetRow,
    Meter,
    PlaceRow,
    PlannedReading,
    ReferenceData,
    hands_of,
    mass_limits,
    mass_set_rows,
    name_of,
    place_rows,
    planned_readings,
    repeatability_term,
)
from models.bench.pasts import movement_from, pasts
from models.bench.set_estimates import SetEstimate
from models.metrology import (
    AIR_KG_M3,
    INFINITE,
    REFERENCE_DENSITY_KG_M3,
    Gravity,
    Term,
    budget,
    coverage_factor,
    expected_torque_nm,
    load_of,
    local_gravity,
)
from models.wording import browser_templates

MOST_DOF = 60
USUAL_KG, USUAL_MM = 20.0, 172.5
STANDARD_MS2 = local_gravity().value_ms2


def kit(
    tables: Mapping[str, pl.DataFrame],
    sessions: pl.DataFrame | None,
    status: Sequence[Mapping[str, Any]],
    *,
    on: date,
    slopes: Mapping[str, LastSlopes] | None = None,
    recent: pl.DataFrame | None = None,
    forecasts: Mapping[str, Forecast] | None = None,
    movement: Movement | None = None,
    estimates: Mapping[str, SetEstimate] | None = None,
) -> Kit:
    """Return everything a bench page knows before it is opened at the bench.

    In   tables: meters, mass_sets, places, installations, events
         sessions: rows of `session_frame`; status: the `meters` of the status document
         on: the day; slopes: `last_slopes` of the rows at hand (None: of sessions)
         recent: rows of `bench` of the last REPEAT_HOURS; forecasts: of the fleet, by meter;
         movement: how the fleet's meters move (None: as sessions tell);
         estimates: of mass sets that the fleet knows to be off their stamp
    """
    known = _known(tables, sessions, recent, movement)
    slopes = last_slopes(sessions) if slopes is None else slopes
    forecasts = forecasts or {}
    return {
        "meters": [
            _meter(row, known, slopes.get(row["meter_id"], {}), forecasts, on=on) for row in status
        ],
        "kinds": {name: _kind(rule) for name, rule in KINDS.items()},
        "mass_sets": [_mass_set(row, estimates or {}) for row in mass_set_rows(tables)],
        "places": [_place(row) for row in place_rows(tables)],
        "setups": list(_setups(known.judge)),
        "standard_gravity": _gravity(local_gravity()),
        "hands": _hands(sessions, on),
        "rules": _rules(),
        "wording": browser_templates(),
    }


class _Known(NamedTuple):
    """What sessions are held against: pasts before the last days, and who judged these."""

    data: ReferenceData
    pasts: Mapping[str, Past]
    judge: Judge


def _known(
    tables: Mapping[str, pl.DataFrame],
    sessions: pl.DataFrame | None,
    recent: pl.DataFrame | None,
    movement: Movement | None,
) -> _Known:
    data = ReferenceData.of(tables)
    rows = TABLES["bench"].conform(pl.DataFrame()) if recent is None else recent
    ours = set(rows["session_id"].to_list())
    conventions = {name: meter.convention for name, (_, meter) in data.meters.items()}
    movement = movement or movement_from(sessions, conventions)
    found = pasts(sessions, conventions, ours, movement, happenings(tables.get("events")))
    judge, _ = judged(
        dict(tables) | {"bench": rows}, earlier=sessions, in_order=True, movement=movement
    )
    return _Known(data, found, judge)


# --- one meter --------------------------------------------------------------------------------


def _meter(
    row: Mapping[str, Any],
    known: _Known,
    slopes: LastSlopes,
    forecasts: Mapping[str, Forecast],
    *,
    on: date,
) -> MeterKit:
    name = row["meter_id"]
    kind, meter = known.data.meters.get(name, (None, Meter()))
    fitted = known.data.installation(name, on)
    length = fitted.crank_length_mm if fitted else None
    hangs, past, forecast = known.judge.hangs.get(name, []), known.pasts.get(name), None
    if not hangs and name in forecasts:
        forecast = cast("ForecastRow", forecasts[name]._asdict())
    return {
        "meter_id": name,
        "status": row.get("status"),
        "group": row.get("group"),
        "serial_number": row.get("serial_number"),
        "rider_id": row.get("rider_id"),
        "bike_id": row.get("bike_id"),
        "gain_error_pct": row.get("gain_error_pct"),
        "gain_error_sd_pct": row.get("gain_error_sd_pct"),
        "tolerance_pct": row.get("tolerance_pct"),
        "due_date": row.get("due_date"),
        "reason": row.get("short_reason"),
        "next_action": row.get("next_action"),
        "taking_in": row.get("taking_in"),
        "kind": kind if kind in KINDS else "other",
        "convention": meter.convention,
        "slope_step": meter.slope_step,
        "slope_min": meter.slope_min,
        "slope_max": meter.slope_max,
        "static_check": meter.static_check is not False,
        "known_length_mm": length if length is not None else meter.crank_length_mm,
        "installation": None if fitted is None else _fitted(fitted),
        "slopes": slopes,
        "past": None if past is None else _past(past),
        "past_after": _with_hangs(past, hangs),
        "forecast": forecast,
        "hangs": [_hang(hang) for hang in hangs],
    }


def _with_hangs(past: Past | None, hangs: Sequence[Opened]) -> PastRow | None:
    """Return a meter's past with its sessions of these days."""
    if not hangs:
        return None if past is None else _past(past)
    after = Past() if past is None else replace(past)
    fold_hangs(after, hangs)
    return _past(after)


def _hang(hang: Opened) -> HangRow:
    now = hang.now
    return {
        "at": None if now.at is None else now.at.timestamp(),
        "found": now.found,
        "u_session": now.u_session,
        "p_before": now.p_before,
        "p_after": now.p_after,
        "looked": sorted(looked_at(hang)),
        "doubted": bool(hang.result.suspicions),
    }


def _setups(judge: Judge) -> Iterator[SetupRow]:
    """Yield what each setup of the last day hands on."""
    for chain in judge.chains.values():
        session = chain[-1].result.session
        if session.measured_at is None or (session.bench_id or name_of(session.technician)) is None:
            continue
        meters = {hang.result.session.meter_id for hang in chain}
        yield {
            "on": session.measured_at.date().isoformat(),
            "bench_id": session.bench_id,
            "technician": name_of(session.technician),
            "carried": carried_on(chain),
            "without": {name: carried_on(chain, without=name) for name in meters},
        }


def _fitted(installation: Installation) -> Fitted:
    return {
        "crank_id": installation.crank_id,
        "programmed_mm": installation.programmed_mm,
        "large_ring": installation.large_ring,
        "small_ring": installation.small_ring,
    }


def _past(past: Past) -> PastRow:
    return {
        "level": past.level,
        "variance": past.variance + past.shaken,
        "in_slope": past.in_slope,
        "seen": past.seen,
        "left": past.left,
        "rate": past.movement.rate,
        "wander": past.movement.wander,
        "last": None if past.last is None else _last(past.last),
    }


def _last(session: Observed) -> LastSession:
    at = None if session.at is None else session.at.timestamp()
    return cast("LastSession", session._asdict() | {"at": at})


def last_slopes(sessions: pl.DataFrame | None) -> dict[str, LastSlopes]:
    """Return the slope that each meter was last left with: whole, left, right and the day.

    sessions: rows of `session_frame`, or of the table `bench` itself
    """
    if sessions is None or sessions.is_empty():
        return {}
    out: dict[str, LastSlopes] = {}
    for row in (
        sessions.filter(pl.col("measured_at").is_not_null())
        .sort("measured_at", maintain_order=True)
        .iter_rows(named=True)
    ):
        kept = out.setdefault(row["meter_id"], {})
        for side in ("", "_left", "_right"):
            value = row[f"slope_after{side}"] or row[f"slope_before{side}"]
            if value is not None:
                kept[f"slope{side}"] = value  # type: ignore[literal-required]
                kept["on"] = row["measured_at"].date()
    return out


def recent_rows(rows: pl.DataFrame, on: date) -> pl.DataFrame:
    """Return the rows of `bench` that a session of a day may repeat, or have as neighbours."""
    start = datetime.combine(on, time(), UTC)
    since, until = start - timedelta(hours=judging.REPEAT_HOURS), start + timedelta(days=1)
    return rows.filter(pl.col("measured_at").is_between(since, until, closed="left"))


def forecast(mean: float, sd: float, slopes: LastSlopes, convention: str | None) -> Forecast:
    """Return a meter's forecast from its course, 100·ln, and the slope it was last left with."""
    left = slopes.get("slope")
    sides = (left,) if left is not None else (slopes.get("slope_left"), slopes.get("slope_right"))
    found = [causes.programmed_ln(slope, convention) for slope in sides]
    known = [p for p in found if p is not None]
    p = sum(known) / len(known) if len(known) == len(found) else None
    return Forecast(mean, sd, p)


# --- kinds, mass sets, places -----------------------------------------------------------------


def _kind(rule: KindRule) -> KindRow:
    repeat, rest = _session_part(rule)
    u, dof = budget([repeat, rest]).part("session")
    return {
        "kind": rule.kind,
        "title": rule.title,
        "arms": list(rule.arms),
        "own_slopes": rule.own_slopes,
        "may_show_double": rule.may_show_double,
        "uses_length": rule.uses_length,
        "through_chain": rule.through_chain,
        "planned": [cast("PlannedRow", asdict(line)) for line in planned_readings(rule.kind)],
        "u_session_pct": u,
        "dof_session": None if dof == INFINITE else dof,
        "u_rest_pct": rest.u_pct,
        "dof_rest": None if rest.dof == INFINITE else rest.dof,
        "repeat_weight": repeat.sensitivity or 0.0,
    }


def _session_part(rule: KindRule) -> tuple[Term, Term]:
    """Return what a usual session of a kind leaves, %: the scatter of hangings, and the rest.

    Of the session alone (hanging, zero, display, level): the planned readings, all as expected.
    """
    lines = planned_readings(rule.kind)
    hung = pl.DataFrame(
        [_usual_row(rule, k, line) for k, line in enumerate(lines)], infer_schema_length=None
    )
    meters = pl.DataFrame([{"meter_id": "one", "kind": rule.kind}])
    (result,) = evaluate_bench({"bench": hung, "meters": meters})
    if result.found is None:
        raise AssertionError(f"the planned readings of {rule.kind} give no gain error")
    terms = [term for term in result.found.budget.terms if term.shared == "session"]
    rest = budget([term for term in terms if term.source != "repeatability"])
    return (
        repeatability_term(result.found.stage, NO_SCATTER),
        Term("rest", rest.u_pct, "B", "normal", "session", rest.dof),
    )


def _usual_row(rule: KindRule, k: int, line: PlannedReading) -> dict[str, object]:
    mass = USUAL_KG if line.load == MASS else 0.0
    torque = expected_torque_nm(mass, USUAL_MM, gravity_ms2=STANDARD_MS2)
    return {
        "session_id": "usual",
        "meter_id": "one",
        "measured_at": datetime(2026, 1, 1, tzinfo=UTC),
        "mass_kg": mass,
        "crank_length_mm": USUAL_MM,
        "reading": k + 1,
        "load": line.load,
        "arm": line.arm,
        "chainring": line.chainring,
        "loading_path": "lever_on_cassette" if rule.through_chain else None,
        "torque_nm": round(torque, 1),
    }


def _mass_set(row: MassSetRow, estimates: Mapping[str, SetEstimate]) -> MassSetKit:
    mass, hanger = row["mass_kg"], row["hanger_mass_kg"] or 0.0
    u_pct = basis = None
    if mass is not None and mass + hanger > 0:
        load = load_of(mass, hanger, limits=mass_limits(row))
        u_kg = math.hypot(load.u_mass_g, load.u_hanger_g) / 1000
        u_pct = 100 * math.hypot(u_kg / load.total_kg, load.u_scale_gravity)
        basis = load.basis
    return {
        "bench_id": row["bench_id"],
        "source": row["source"],
        "mass_kg": mass,
        "hanger_kg": hanger,
        "u_pct": u_pct,
        "basis": basis,
        "fleet": list(estimates[row["bench_id"]]) if row["bench_id"] in estimates else None,
    }


def _place(row: PlaceRow) -> PlaceKit:
    gravity = local_gravity(
        place_ms2=row["gravity_ms2"],
        latitude_deg=row["latitude_deg"],
        altitude_m=row["altitude_m"],
    )
    return {"place_id": row["place_id"], **_gravity(gravity)}


def _hands(sessions: pl.DataFrame | None, on: date) -> list[HandRow]:
    """Return how hangings scattered on days before one."""
    seen = hands_of([], sessions, in_order=True).seen_before(on)
    return [
        {
            "of": of,
            "technician": technician,
            "place_id": place_id,
            "sum_of_squares": scatter.sum_of_squares,
            "dof": scatter.dof,
        }
        for (of, technician, place_id), scatter in seen.items()
    ]


def _gravity(gravity: Gravity) -> GravityRow:
    parts = (gravity.u_ms2 / gravity.value_ms2, BUOYANCY_RELATIVE, OFF_LEVEL_RELATIVE)
    relative = math.hypot(*parts)
    return {"gravity_ms2": gravity.value_ms2, "u_pct": 100 * relative}


# --- the rules' constants ---------------------------------------------------------------------


def _rules() -> dict[str, object]:
    """Return the constants that the page's own arithmetic shares with the models."""
    return {
        "buoyancy": 1 - AIR_KG_M3 / REFERENCE_DENSITY_KG_M3,
        "length_limit_mm": measurement.DEFAULT_LENGTH_LIMIT_MM,
        "chain_loss": measurement.CHAIN_LOSS,
        "chain_loss_left": measurement.CHAIN_LOSS_LEFT,
        "chain_loss_limit": measurement.CHAIN_LOSS_LIMIT,
        **measurement.REPEATABILITY,
        "coverage": [coverage_factor(dof) for dof in range(1, MOST_DOF + 1)],
        "coverage_infinite": coverage_factor(INFINITE),
        **causes.rules(),
        "coverage_of_two": advice.COVERAGE,
        **_constants(judging, ("REPEAT_HOURS", "AGREES", "MISSED", "PASSING")),
        **_constants(
            advice,
            (
                *(
                    "DAMAGED_PCT",
                    "RUINED_PCT",
                    "SURELY_BETTER",
                    "LIKELY_BETTER",
                    "WORTH_A_RESET",
                    "ENOUGH_HANGS",
                    "SETTLED_HANGS",
                    "SETTLED_BETTER",
                    "PATIENCE",
                ),
            ),
        ),
        **_constants(findings, ("SLIP_PCT", "ARM_LIMIT_PCT", "RING_LIMIT_PCT", "ZERO_LARGE_NM")),
    }


def _constants(module: ModuleType, names: Sequence[str]) -> dict[str, object]:
    return {name.lower(): getattr(module, name) for name in names}
