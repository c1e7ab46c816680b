"""Bench sessions with known truth: every input wrong within its stated limits."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from ingest.schema import TABLES
from models.metrology.masses import class_limit_g

AT = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
BUOYANCY = 1 - 1.2 / 8000
SPIDER = tuple((arm, ring) for ring in ("small", "large") for arm in ("left", "right"))

Row = dict[str, Any]


def bench(rows: list[Row]) -> pl.DataFrame:
    """Rows as a typed bench table; session, meter, date, mass, crank and gravity filled in."""
    common = {
        "session_id": "S1",
        "meter_id": "M1",
        "measured_at": AT,
        "mass_kg": 20.0,
        "crank_length_mm": 170.0,
        "gravity_ms2": 9.81,
        "load": "mass",
    }
    return TABLES["bench"].conform(
        pl.DataFrame([common | r for r in rows], infer_schema_length=None)
    )


def table(name: str, rows: list[Row]) -> pl.DataFrame:
    """Rows as a typed table of the schema; a meter's required columns filled in."""
    common: Row = {}
    if name == "meters":
        common = {
            "meter_id": "M1",
            "kind": "crank_spider",
            "slope_convention": "multiplier",
            "in_service_date": AT.date(),
        }
    return TABLES[name].conform(pl.DataFrame([common | r for r in rows], infer_schema_length=None))


@dataclass(frozen=True)
class Design:
    """What is stated, and how wrong it is. Limits are rectangular, sd_… normal.

    gravity: "given" (exact to its digits), "assumed" (standard gravity ± 0.026).
    """

    cells: tuple[tuple[str | None, str | None], ...] = SPIDER
    repeats: int = 1
    mass_kg: float = 20.0
    mass_class: str | None = None
    tolerance_g: float | None = None
    crank_mm: float = 172.5
    crank_limit_mm: float | None = None
    gravity: str = "given"
    zeros: str = "before and after"
    sd_angle_deg: float = 1.5
    sd_lean_deg: float = 1.0
    sd_hanging_pct: float = 0.15
    sd_zero_nm: float = 0.03
    step_nm: float = 0.01
    gain_sd_pct: float = 1.0

    def but(self, **changes: Any) -> Design:
        return replace(self, **changes)


def simulate(design: Design, n: int, *, seed: int) -> tuple[pl.DataFrame, np.ndarray]:
    """n sessions of one design: the bench table, and the true gain errors in %, shape (n,)."""
    rng = np.random.default_rng(seed)
    gains = rng.normal(0, design.gain_sd_pct, n)
    rows: list[Row] = []
    for k in range(n):
        rows += _session(design, k, float(gains[k]), rng)
    frame = pl.DataFrame(rows, infer_schema_length=None)
    return TABLES["bench"].conform(frame), gains


def _session(d: Design, k: int, gain_pct: float, rng: np.random.Generator) -> list[Row]:
    limit_g = d.tolerance_g
    if limit_g is None:
        limit_g = class_limit_g(d.mass_kg, d.mass_class or "M3")
    crank_limit = 0.5 if d.crank_limit_mm is None else d.crank_limit_mm
    mass = d.mass_kg + rng.uniform(-limit_g, limit_g) / 1000
    length = d.crank_mm + rng.uniform(-crank_limit, crank_limit)
    stated_g, true_g = _gravity(d, rng)
    lean = np.radians(rng.normal(0, d.sd_lean_deg))
    torque = mass * true_g * length / 1000 * BUOYANCY * np.cos(lean)
    common: Row = {
        "session_id": f"S{k}",
        "meter_id": f"M{k}",
        "measured_at": AT + timedelta(hours=k),
        "mass_kg": d.mass_kg,
        "mass_class": d.mass_class,
        "mass_tolerance_g": d.tolerance_g,
        "crank_length_mm": d.crank_mm,
        "crank_length_tolerance_mm": d.crank_limit_mm,
        "gravity_ms2": stated_g,
    }
    offset = rng.normal(0, 0.25)
    angle = {arm: np.radians(rng.normal(0, d.sd_angle_deg)) for arm, _ in d.cells}
    rows: list[Row] = []
    for arm, ring in d.cells:
        for _ in range(d.repeats):
            hung = torque * np.cos(angle[arm]) * (1 + rng.normal(0, d.sd_hanging_pct / 100))
            shown = hung * (1 + gain_pct / 100) + offset
            rows.append({"load": "mass", "arm": arm, "chainring": ring, "torque_nm": shown})
    if d.zeros != "none":
        zero = {"load": "zero", "torque_nm": offset + rng.normal(0, d.sd_zero_nm)}
        rows.insert(0, zero)
    if d.zeros == "before and after":
        rows.append({"load": "zero", "torque_nm": offset + rng.normal(0, d.sd_zero_nm)})
    return [common | _shown(r, d.step_nm) for r in rows]


def _gravity(d: Design, rng: np.random.Generator) -> tuple[float | None, float]:
    if d.gravity == "assumed":
        return None, 9.80665 + rng.uniform(-0.026, 0.026)
    true = 9.80665 + rng.uniform(-0.02, 0.02)
    return round(true, 4), true


def _shown(row: Row, step_nm: float) -> Row:
    return row | {"torque_nm": round(round(row["torque_nm"] / step_nm) * step_nm, 6)}
