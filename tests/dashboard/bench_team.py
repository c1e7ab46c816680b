"""A small invented team with a meter of every kind, as contract tables, for the bench page."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl

from ingest.load import load_paths
from ingest.schema import TABLES
from ingest.store import Store
from models.bench.measurement.kinds import planned_readings
from models.run import Fleet, refit

Row = dict[str, Any]
TODAY = date(2026, 5, 20)
GRAVITY, BUOYANCY = 9.8112, 1 - 1.2 / 8000
CONVENTIONS = {"crank_spider": "multiplier", "pedal_pair": "divisor", "crank_arm_left": "fixed"}
METERS: dict[str, tuple[str, float]] = {  # kind, crank length in mm
    "SP-1": ("crank_spider", 172.5),
    "SP-2": ("crank_spider", 170.0),
    "AL-1": ("crank_arm_left", 175.0),
    "AP-1": ("crank_arm_pair", 172.5),
    "PL-1": ("pedal_left", 170.0),
    "PP-1": ("pedal_pair", 172.5),
    "HB-1": ("hub", 172.5),
    "XX-1": ("other", 172.5),
    "TO-1": ("crank_spider", 172.5),  # shows torque only when turning
}
PAIRS = ("crank_arm_pair", "pedal_pair")


def expected(mass_kg: float, length_mm: float) -> float:
    """Torque of masses on a level crank at the team's workshop, N·m."""
    return mass_kg * GRAVITY * length_mm / 1000 * BUOYANCY


def tables() -> dict[str, pl.DataFrame]:
    """The tables, typed; past bench sessions included."""
    rows: dict[str, list[Row]] = {
        "meters": [_meter(name, kind, length) for name, (kind, length) in METERS.items()],
        "mass_sets": [
            {"bench_id": "green", "mass_kg": 20.0, "hanger_mass_kg": 0.35, "mass_class": "M1",
             "source": "certificate", "certificate_no": "GW-118",
             "calibrated_on": date(2025, 9, 1), "due_on": date(2027, 9, 1)},
            {"bench_id": "iron", "mass_kg": 15.0, "hanger_mass_kg": 0.0, "source": "stamped"},
        ],
        "places": [{"place_id": "shed", "gravity_ms2": GRAVITY, "workshop": "Hollow"}],
        "installations": [_installation(n, length) for n, (_, length) in METERS.items()],
        "assignments": [
            {"meter_id": "SP-1", "from_date": date(2025, 1, 1), "rider_id": "Ines",
             "bike_id": "b-SP-1", "role": "race"},
        ],
        "bench": [row for name in METERS if name != "TO-1" for row in past_sessions(name)],
    }  # fmt: skip
    return {
        name: TABLES[name].conform(pl.DataFrame(found, infer_schema_length=None))
        for name, found in rows.items()
    }


def conventions() -> dict[str, str]:
    """How each meter's slope acts."""
    return {name: CONVENTIONS.get(kind, "divisor") for name, (kind, _) in METERS.items()}


def _meter(name: str, kind: str, length: float) -> Row:
    convention = CONVENTIONS.get(kind, "divisor")
    return {
        "meter_id": name,
        "kind": kind,
        "model_group": kind,
        "in_service_date": date(2025, 1, 1),
        "slope_convention": convention,
        "slope_step": 0.01 if convention == "multiplier" else None,
        "crank_length_mm": length,
        "tolerance_pct": 1.5,
        "static_check": name != "TO-1",
        "serial_number": f"7{abs(hash_of(name)) % 10**6:06d}",
    }


def hash_of(name: str) -> int:
    """A number that stays the same from run to run."""
    return sum(ord(c) * 31**k for k, c in enumerate(name))


def _installation(name: str, length: float) -> Row:
    kind = METERS[name][0]
    return {
        "meter_id": name,
        "bike_id": f"b-{name}",
        "from_date": date(2025, 1, 1),
        "crank_id": f"c-{name}",
        "crank_length_mm": length,
        "programmed_crank_length_mm": length if kind.startswith("pedal") else None,
        "large_ring": 52,
        "small_ring": 36,
    }


def past_sessions(name: str) -> list[Row]:
    """Three sessions, half a year apart, that found small errors."""
    out: list[Row] = []
    days = (datetime(2025, 3, 3, 10, tzinfo=UTC), datetime(2025, 10, 6, 10, tzinfo=UTC),
            datetime(2026, 4, 7, 10, tzinfo=UTC))  # fmt: skip
    for k, (at, error) in enumerate(zip(days, (0.2, 0.4, 0.5), strict=True)):
        off = error + 0.07 * (hash_of(name) % 5)
        out += session(name, f"past-{name}-{k}", at, gain=1 + off / 100)
    return out


def session(
    name: str,
    session_id: str,
    at: datetime,
    *,
    gain: float,
    zero: float = 0.12,
    entered_length: float | None = None,
    wobble: float = 0.0004,
) -> list[Row]:
    """One as-found session by the kind's planned readings, as rows of `bench`."""
    kind, length = METERS[name]
    pair = kind in PAIRS
    common = {
        "session_id": session_id,
        "meter_id": name,
        "measured_at": at,
        "bench_id": "green",
        "place_id": "shed",
        "technician": "Wren",
        "crank_length_mm": entered_length or length,
        "stage": "as_found",
        "loading_path": "crank" if kind == "hub" else None,
        "cog_teeth": 17 if kind == "hub" else None,
        "slope_before": None if pair else 5.7,
        "slope_before_left": 210.0 if pair else None,
        "slope_before_right": 211.0 if pair else None,
    }
    drive = 17 / 52 if kind == "hub" else 1.0
    rows = []
    for k, line in enumerate(planned_readings(kind)):
        hung = line.load == "mass"
        up = line.direction == "up"
        friction = (0.01 if up else -0.01) if kind == "hub" else 0.0
        shown = expected(20.35, length) * drive * gain * (1 - friction + wobble * (k % 3 - 1))
        rows.append(
            common
            | {
                "reading": k + 1,
                "load": line.load,
                "arm": line.arm,
                "chainring": ("52" if kind == "hub" else line.chainring) if hung else None,
                "direction": (("up" if up else "down") if hung and kind == "hub" else None),
                "mass_kg": 20.0 if hung else 0.0,
                "hanger_mass_kg": 0.35 if hung else 0.0,
                "torque_nm": round(shown + zero if hung else zero + 0.002 * k, 3),
            }
        )
    return rows


def store(folder: Path) -> Path:
    """The team's store, loaded and fitted; its own day is TODAY."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables().items():
        frame.write_csv(folder / f"{name}.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")
    path = folder / "team.duckdb"
    with Store(path).writing() as db:
        db.set_setting("today", TODAY.isoformat())
    report = load_paths(Store(path), [folder])
    assert report.clean, report.set_aside
    refit(Fleet(Store(path)))
    return path
