"""Technicians who hang masses more or less alike, from physics: mg·L, a lean, a slack strap.

A technician's sessions of three hangings each, then one session of a single hanging. Whatever a
session is not told lies within its documented limits: masses of class M3 (OIML R 111, Table 1:
10 g on 20 kg), the crank ± 0.5 mm, gravity to its last digit, cranks levelled by eye (1.5°), bikes
standing upright (1°), a zero that is read before and after.
"""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from ingest.schema import TABLES

BEGUN = datetime(2026, 2, 2, 8, tzinfo=UTC)
MASS_KG, CRANK_MM = 20.0, 172.5
LAST = "single"


def hangings(
    scatter_pct: float, *, technicians: int, past: int, seed: int
) -> tuple[pl.DataFrame, np.ndarray]:
    """Return the bench table and the true gain error, %, of each technician's last session.

    scatter_pct: standard deviation of one hanging; past: sessions before the last
    """
    rng = np.random.default_rng(seed)
    rows, truth = [], []
    for who in range(technicians):
        for k in range(past + 1):
            gain_pct = rng.normal(0, 1)
            hung = 1 if k == past else 3
            for shown in _shown(rng, 1 + gain_pct / 100, scatter_pct / 100, hung):
                name = LAST if k == past else str(k)
                rows.append(
                    shown
                    | {
                        "session_id": f"{who}-{name}",
                        "meter_id": f"M{who}-{k}",
                        "technician": f"T{who}",
                        "measured_at": BEGUN + timedelta(days=k),
                    }
                )
        truth.append(gain_pct)
    frame = pl.DataFrame(rows, infer_schema_length=None)
    return TABLES["bench"].conform(frame), np.array(truth)


def _shown(
    rng: np.random.Generator, gain: float, scatter: float, hung: int
) -> list[dict[str, object]]:
    gravity = round(float(rng.uniform(9.79, 9.82)), 4)
    mass = MASS_KG + rng.uniform(-0.010, 0.010)
    length = CRANK_MM + rng.uniform(-0.5, 0.5)
    air = 1 - 1.2 / 8000
    level = np.cos(np.radians(rng.normal(0, 1.5))) * np.cos(np.radians(rng.normal(0, 1.0)))
    torque = mass * gravity * length / 1000 * air * level
    offset = rng.normal(0, 0.2)
    said = {"mass_kg": MASS_KG, "crank_length_mm": CRANK_MM, "gravity_ms2": gravity, "arm": "left"}
    zero = said | {"load": "zero", "mass_kg": 0.0}
    readings = [zero | {"torque_nm": offset + rng.normal(0, 0.03)}]
    for _ in range(hung):
        caught = torque * (1 + rng.normal(0, scatter))
        readings.append(said | {"load": "mass", "torque_nm": offset + gain * caught})
    readings.append(zero | {"torque_nm": offset + rng.normal(0, 0.03)})
    return [r | {"torque_nm": round(float(r["torque_nm"]), 2)} for r in readings]
