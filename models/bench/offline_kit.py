"""What a bench page needs to judge readings without the server: inputs, pasts, rules.

The page computes expected torque, accept limits, ratios and plausible mistakes itself; the
constants of those rules travel with the data, so that they are written down once.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime
from typing import Any

import polars as pl

from models.bench import findings, measurement, mistakes, own_past, suspicions
from models.bench.evaluation import evaluate_bench
from models.bench.measurement import (
    BUOYANCY_RELATIVE,
    KINDS,
    LEFT,
    Installation,
    KindRule,
    Known,
    Meter,
    planned_readings,
)
from models.bench.own_past import Past
from models.bench.pasts import pasts
from models.metrology import (
    AIR_KG_M3,
    DEFAULT_CLASS,
    INFINITE,
    REFERENCE_DENSITY_KG_M3,
    Gravity,
    MassLimits,
    coverage_factor,
    load_of,
    local_gravity,
)

MOST_DOF = 60
ROUND_KG, ROUND_MM = 20.0, 172.5
Tables = Mapping[str, pl.DataFrame]


def kit(
    tables: Tables,
    sessions: pl.DataFrame | None,
    status: Sequence[Mapping[str, Any]],
    *,
    on: date,
    slopes: Mapping[str, Mapping[str, Any]] | None = None,
) -> dict[str, Any]:
    """Everything a bench page knows before it is opened at the bench.

    In   tables: meters, mass_sets, places, installations; sessions: session_results;
         status: the `meters` of the status document; on: the day
         slopes: last_slopes of the rows at hand (None: of sessions)
    Out  meters, kinds, mass_sets, places, rules (constants, and k by degrees of freedom)
    """
    known = Known.of(tables)
    conventions = {name: meter.convention for name, (_, meter) in known.meters.items()}
    past = pasts(sessions, conventions)
    slopes = last_slopes(sessions) if slopes is None else slopes
    return {
        "meters": [
            _meter(row, known, past.get(row["meter_id"]), slopes.get(row["meter_id"]), on=on)
            for row in status
        ],
        "kinds": {name: _kind(rule) for name, rule in KINDS.items()},
        "mass_sets": [_mass_set(row) for row in tables["mass_sets"].to_dicts()],
        "places": [_place(row) for row in tables["places"].to_dicts()],
        "standard_gravity": _gravity(local_gravity()),
        "rules": rules(),
    }


# --- one meter --------------------------------------------------------------------------------


def _meter(
    row: Mapping[str, Any],
    known: Known,
    past: Past | None,
    slopes: Mapping[str, Any] | None,
    *,
    on: date,
) -> dict[str, Any]:
    kind, meter = known.meters.get(row["meter_id"], (None, Meter()))
    fitted = known.installation(row["meter_id"], on)
    shown = (
        *("meter_id", "status", "group", "serial_number", "rider_id", "bike_id", "state"),
        *("gain_error_pct", "gain_error_sd_pct", "tolerance_pct", "due_date", "last_bench"),
        *("next_action", "reasons", "taking_in"),
    )
    length = fitted.crank_length_mm if fitted else None
    return {name: row.get(name) for name in shown} | {
        "kind": kind if kind in KINDS else "other",
        "convention": meter.convention,
        "slope_step": meter.slope_step,
        "slope_min": meter.slope_min,
        "slope_max": meter.slope_max,
        "factory_slope": meter.factory_slope,
        "static_check": meter.static_check is not False,
        "known_length_mm": length if length is not None else meter.crank_length_mm,
        "installation": None if fitted is None else _installation(fitted),
        "slopes": slopes or {},
        "past": None if past is None else _past(past),
    }


def _installation(fitted: Installation) -> dict[str, Any]:
    names = ("crank_id", "programmed_mm", "large_ring", "small_ring", "oval")
    return {name: getattr(fitted, name) for name in names}


def _past(past: Past) -> dict[str, Any]:
    last = None if past.last is None else asdict_of(past.last)
    return {
        "level": past.level,
        "variance": past.variance,
        "in_slope": past.in_slope,
        "seen": past.seen,
        "last": last,
    }


def asdict_of(last: own_past.Observed) -> dict[str, Any]:
    """An observed session as plain data; its instant in seconds since 1970."""
    row = last._asdict()
    row["at"] = None if last.at is None else last.at.timestamp()
    return row


def last_slopes(sessions: pl.DataFrame | None) -> dict[str, dict[str, Any]]:
    """The slope that each meter was last left with: whole, left, right and the day.

    sessions: session_results, or the rows of the table `bench` themselves
    """
    if sessions is None or sessions.is_empty():
        return {}
    out: dict[str, dict[str, Any]] = {}
    for row in (
        sessions.filter(pl.col("measured_at").is_not_null())
        .sort("measured_at", maintain_order=True)
        .iter_rows(named=True)
    ):
        kept = out.setdefault(row["meter_id"], {})
        for side in ("", "_left", "_right"):
            value = row[f"slope_after{side}"] or row[f"slope_before{side}"]
            if value is not None:
                kept[f"slope{side}"] = value
                kept["on"] = row["measured_at"].date()
    return out


# --- kinds, mass sets, places -----------------------------------------------------------------


def _kind(rule: KindRule) -> dict[str, Any]:
    u, dof = session_part(rule)
    return asdict(rule) | {
        "planned": [asdict(line) for line in planned_readings(rule.kind)],
        "u_session_pct": u,
        "dof_session": None if dof == INFINITE else dof,
    }


def session_part(rule: KindRule) -> tuple[float, float]:
    """Standard uncertainty, %, that a usual session of a kind leaves, and its dof.

    Of the session alone (hanging, zero, display, level): the planned readings, all as expected.
    """
    lines = planned_readings(rule.kind)
    hung = pl.DataFrame(
        [_usual_row(rule, k, line.load, line) for k, line in enumerate(lines)],
        infer_schema_length=None,
    )
    meters = pl.DataFrame([{"meter_id": "one", "kind": rule.kind}])
    (result,) = evaluate_bench({"bench": hung, "meters": meters})
    if result.found is None:
        return 0.0, INFINITE
    return result.found.budget.part("session")


def _usual_row(rule: KindRule, k: int, load: str, line: Any) -> dict[str, Any]:
    mass = ROUND_KG if load == "mass" else 0.0
    torque = round(mass * 9.80665 * ROUND_MM / 1000 * (1 - AIR_KG_M3 / REFERENCE_DENSITY_KG_M3), 1)
    return {
        "session_id": "usual",
        "meter_id": "one",
        "measured_at": datetime(2026, 1, 1, tzinfo=UTC),
        "mass_kg": mass,
        "crank_length_mm": ROUND_MM,
        "reading": k + 1,
        "load": load,
        "arm": line.arm,
        "chainring": line.chainring,
        "loading_path": "lever_on_cassette" if rule.through_chain else None,
        "torque_nm": torque,
    }


def _mass_set(row: Mapping[str, Any]) -> dict[str, Any]:
    mass, hanger = row["mass_kg"], row["hanger_mass_kg"] or 0.0
    limits = MassLimits(row["mass_tolerance_g"], row["mass_class"], row["source"])
    out = {name: row[name] for name in ("bench_id", "certificate_no", "due_on", "source")}
    out |= {"mass_kg": mass, "hanger_kg": hanger, "u_pct": None, "basis": None}
    if mass is not None and mass + hanger > 0:
        load = load_of(mass, hanger, limits=limits)
        u_kg = math.hypot(load.u_mass_g, load.u_hanger_g) / 1000
        out["u_pct"] = 100 * math.hypot(u_kg / load.total_kg, load.u_scale_gravity)
        out["basis"] = load.basis
    return out


def _place(row: Mapping[str, Any]) -> dict[str, Any]:
    gravity = local_gravity(
        place_ms2=row["gravity_ms2"],
        latitude_deg=row["latitude_deg"],
        altitude_m=row["altitude_m"],
    )
    return {"place_id": row["place_id"], "workshop": row["workshop"]} | _gravity(gravity)


def _gravity(gravity: Gravity) -> dict[str, Any]:
    relative = math.hypot(gravity.u_ms2 / gravity.value_ms2, BUOYANCY_RELATIVE)
    return {
        "gravity_ms2": gravity.value_ms2,
        "u_pct": 100 * relative,
        "source": gravity.source,
        "note": gravity.note,
    }


# --- the rules' constants ---------------------------------------------------------------------


def rules() -> dict[str, Any]:
    """Constants that the page's own arithmetic shares with the models."""
    return {
        "buoyancy": 1 - AIR_KG_M3 / REFERENCE_DENSITY_KG_M3,
        "default_class": DEFAULT_CLASS,
        "length_limit_mm": measurement.DEFAULT_LENGTH_LIMIT_MM,
        "chain_loss": measurement.CHAIN_LOSS,
        "chain_loss_limit": measurement.CHAIN_LOSS_LIMIT,
        "coverage": [coverage_factor(dof) for dof in range(1, MOST_DOF + 1)],
        "coverage_infinite": coverage_factor(INFINITE),
        "unknown_sd": own_past.UNKNOWN_SD,
        "wander": own_past.WANDER_PER_ROOT_YEAR,
        "seconds_a_year": own_past.SECONDS_A_YEAR,
        "first_arm": LEFT,
        **_constants(suspicions, _OF_SUSPICIONS),
        **_constants(mistakes, _OF_MISTAKES),
        **_constants(findings, ("ARM_LIMIT_PCT", "RING_LIMIT_PCT", "ZERO_LARGE_NM")),
    }


_OF_SUSPICIONS = (
    *("OPEN_FROM", "WORTH_NAMING", "KNOCKED_SHARE", "KNOCKED_SD", "OFFSET_SD_NM", "QUIET"),
    *("SOAKED_MIN", "DEAD_RATIO", "ODD_READING", "REMAINS", "ABSURD", "POINT"),
)
_OF_MISTAKES = (
    *("COMMON_LENGTHS_MM", "SAME_LENGTH_MM", "LENGTH_SHARE", "LENGTH_SHARE_CONFIRMED"),
    *("LENGTH_SHARE_CONTRADICTED", "LENGTH_SHARE_UNLIKE_LAST", "PROGRAMMED_SHARE"),
    *("HANGER_SHARE", "HANGER_TWICE_SHARE", "OTHER_SET_SHARE", "PLATE_SHARE", "UNIT_SHARE"),
    *("DOUBLED_SHARE", "DOUBLED_SHARE_ELSE", "ANGLE_SHARE", "TEETH_SHARE", "NO_ZERO_SHARE"),
    *("PLATES_KG", "LB", "TORQUE_UNITS", "UNLEVEL_DEG", "UNLEVEL_SD_DEG"),
)


def _constants(module: Any, names: Sequence[str]) -> dict[str, Any]:
    return {name.lower(): getattr(module, name) for name in names}
