"""What a bench page is given to judge readings without the server: inputs, pasts, rules, words.

The page computes expected torque, accept limits, ratios and plausible mistakes itself. The
constants of those rules and the templates of what it says travel with the data, so that they are
written down once.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime
from types import ModuleType
from typing import Any, cast

import polars as pl

from models.bench import findings, measurement, mistakes, own_past, suspicions
from models.bench.evaluation import evaluate_bench
from models.bench.kit_types import (
    Fitted,
    GravityRow,
    HandRow,
    KindRow,
    Kit,
    LastSession,
    LastSlopes,
    MassSetKit,
    MeterKit,
    PastRow,
    PlaceKit,
    PlannedRow,
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
    place_rows,
    planned_readings,
    repeatability_term,
)
from models.bench.own_past import Observed, Past
from models.bench.pasts import pasts
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
) -> Kit:
    """Return everything a bench page knows before it is opened at the bench.

    In   tables: meters, mass_sets, places, installations
         sessions: rows of `session_frame`; status: the `meters` of the status document
         on: the day; slopes: `last_slopes` of the rows at hand (None: of sessions)
    """
    data = ReferenceData.of(tables)
    conventions = {name: meter.convention for name, (_, meter) in data.meters.items()}
    past = pasts(sessions, conventions)
    slopes = last_slopes(sessions) if slopes is None else slopes
    return {
        "meters": [
            _meter(row, data, past.get(row["meter_id"]), slopes.get(row["meter_id"], {}), on=on)
            for row in status
        ],
        "kinds": {name: _kind(rule) for name, rule in KINDS.items()},
        "mass_sets": [_mass_set(row) for row in mass_set_rows(tables)],
        "places": [_place(row) for row in place_rows(tables)],
        "standard_gravity": _gravity(local_gravity()),
        "hands": _hands(sessions, on),
        "rules": _rules(),
        "wording": browser_templates(),
    }


# --- one meter --------------------------------------------------------------------------------


def _meter(
    row: Mapping[str, Any],
    data: ReferenceData,
    past: Past | None,
    slopes: LastSlopes,
    *,
    on: date,
) -> MeterKit:
    kind, meter = data.meters.get(row["meter_id"], (None, Meter()))
    fitted = data.installation(row["meter_id"], on)
    length = fitted.crank_length_mm if fitted else None
    return {
        "meter_id": row["meter_id"],
        "status": row.get("status"),
        "group": row.get("group"),
        "serial_number": row.get("serial_number"),
        "rider_id": row.get("rider_id"),
        "bike_id": row.get("bike_id"),
        "gain_error_pct": row.get("gain_error_pct"),
        "gain_error_sd_pct": row.get("gain_error_sd_pct"),
        "tolerance_pct": row.get("tolerance_pct"),
        "due_date": row.get("due_date"),
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
        "variance": past.variance,
        "in_slope": past.in_slope,
        "seen": past.seen,
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


def _mass_set(row: MassSetRow) -> MassSetKit:
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
        **measurement.REPEATABILITY,
        "coverage": [coverage_factor(dof) for dof in range(1, MOST_DOF + 1)],
        "coverage_infinite": coverage_factor(INFINITE),
        "unknown_sd": own_past.UNKNOWN_SD,
        "wander": own_past.WANDER_PER_ROOT_YEAR,
        "seconds_a_year": own_past.SECONDS_A_YEAR,
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


def _constants(module: ModuleType, names: Sequence[str]) -> dict[str, object]:
    return {name.lower(): getattr(module, name) for name in names}
