"""A simulated fleet written as the tables that a team would hand in.

The tables say the same as the fleet's frames: a bench session's readings scatter about its
found value so that their mean gives that value and their spread its stated uncertainty, and a
ride's steps are such that gain and zero offset, fitted by least squares, give its ratio with
its stated uncertainty. Slopes follow each group's convention and carry four decimals or more.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from models.metrology import Array
from tests.simulate.fleet_evidence import WRONG_CRANK
from tests.simulate.fleet_truth import MeterTruth
from tests.simulate.fleets import Fleet

Row = dict[str, Any]

LOCAL_GRAVITY, STANDARD_GRAVITY = 9.8112, 9.80665
BUOYANCY = 1 - 1.2 / 8000
MASS_KG, HANGER_KG = 20.0, 0.35
CRANK_MM = 172.5


@dataclass(frozen=True)
class Make:
    """What kind of meter a group's meters are."""

    kind: str
    convention: str
    factory_slope: float
    decimals: int


MAKES = (
    Make("crank_spider", "multiplier", 5.69, 5),
    Make("crank_arm_left", "divisor", 21.4, 4),
    Make("crank_spider", "multiplier", 100.0, 3),
)


def contract_frames(fleet: Fleet, *, installations: bool = False) -> dict[str, pl.DataFrame]:
    """The fleet as contract tables; installations only where asked for."""
    rng = np.random.default_rng([fleet.seed, 4242])
    frames = {
        "meters": _meters(fleet),
        "references": fleet.frames["references"],
        "mass_sets": _mass_sets(fleet),
        "places": _places(fleet),
        "bench": _bench(fleet, rng),
        "comparisons": _comparisons(fleet, rng),
        "events": fleet.frames["events"].select(
            "meter_id", pl.col("on").alias("date"), "event", "state"
        ),
    }
    if installations:
        frames["installations"] = _installations(fleet)
    return {name: frame for name, frame in frames.items() if frame.height}


def write_contract_tables(fleet: Fleet, folder: Path, *, installations: bool = False) -> list[Path]:
    """Write the fleet's tables as CSV files into a folder; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, frame in contract_frames(fleet, installations=installations).items():
        paths.append(folder / f"{name}.csv")
        frame.write_csv(paths[-1], datetime_format="%Y-%m-%dT%H:%M:%SZ")
    return paths


def make_of(fleet: Fleet, meter: MeterTruth) -> Make:
    """The kind of meter, by its group's place among the groups."""
    names = [g.name for g in fleet.options.groups]
    return MAKES[names.index(meter.group.name) % len(MAKES)]


def slope_of(make: Make, p: float) -> float:
    """The slope that a meter with programmed p (100·ln relative to factory) shows."""
    sign = 1 if make.convention == "divisor" else -1
    return round(make.factory_slope * math.exp(sign * p / 100), make.decimals)


def _meters(fleet: Fleet) -> pl.DataFrame:
    rows = []
    for meter, on in zip(
        fleet.truth.meters.values(), fleet.frames["meters"]["in_service_on"], strict=True
    ):
        make = make_of(fleet, meter)
        stop = meter.stop
        rows.append(
            {
                "meter_id": meter.meter_id,
                "kind": make.kind,
                "model_group": meter.group.name,
                "in_service_date": on,
                "retired_date": _day(fleet, stop - 1) if stop is not None else None,
                "slope_convention": make.convention,
                "factory_slope": make.factory_slope,
                "crank_length_mm": CRANK_MM,
            }
        )
    return pl.DataFrame(rows, infer_schema_length=None)


def _day(fleet: Fleet, day: float) -> date:
    return fleet.options.first_day + timedelta(days=int(day))


def _mass_sets(fleet: Fleet) -> pl.DataFrame:
    benches = fleet.frames["benches"]
    tolerance = [u / 100 * (MASS_KG + HANGER_KG) * 1000 * math.sqrt(3) for u in benches["u_pct"]]
    return pl.DataFrame(
        {
            "bench_id": benches["bench_id"],
            "mass_kg": [MASS_KG] * benches.height,
            "hanger_mass_kg": [HANGER_KG] * benches.height,
            "mass_tolerance_g": [round(t, 2) for t in tolerance],
            "source": benches["source"],
        }
    )


def _places(fleet: Fleet) -> pl.DataFrame:
    names = list(fleet.truth.places)
    gravity = [LOCAL_GRAVITY if u < 0.1 else None for u in fleet.options.place_u]
    return pl.DataFrame(
        {"place_id": names, "gravity_ms2": gravity}, schema_overrides={"gravity_ms2": pl.Float64}
    )


def expected_torque(gravity: float, crank_mm: float) -> float:
    """Torque that the masses and hanger give on a level crank, N·m."""
    return (MASS_KG + HANGER_KG) * gravity * crank_mm / 1000 * BUOYANCY


def _bench(fleet: Fleet, rng: np.random.Generator) -> pl.DataFrame:
    wrong = {w.session_id for w in fleet.truth.wrong_entries}
    given = dict(zip(fleet.truth.places, fleet.options.place_u, strict=True))
    rows: list[Row] = []
    for session in fleet.frames["bench"].iter_rows(named=True):
        meter = fleet.truth.meters[session["meter_id"]]
        crank_mm = CRANK_MM / math.exp(WRONG_CRANK / 100 * (session["session_id"] in wrong))
        gravity = LOCAL_GRAVITY if given[session["place_id"]] < 0.1 else STANDARD_GRAVITY
        common = _session_columns(fleet, meter, session) | {
            "crank_length_mm": round(crank_mm, 3),
            "mass_kg": MASS_KG,
            "hanger_mass_kg": HANGER_KG,
        }
        expected = expected_torque(gravity, crank_mm)
        rows += [common | r for r in _readings(make_of(fleet, meter), session, expected, rng)]
    return pl.DataFrame(rows, infer_schema_length=None)


def _session_columns(fleet: Fleet, meter: MeterTruth, session: Row) -> Row:
    make, t = make_of(fleet, meter), fleet.day_of(session["at"])
    before, after = (slope_of(make, meter.programmed(t + d)) for d in (0.0, 0.1))
    return {
        "session_id": session["session_id"],
        "meter_id": meter.meter_id,
        "measured_at": session["at"],
        "bench_id": session["bench_id"],
        "place_id": session["place_id"],
        "temperature_c": round(session["temperature_c"], 1),
        "soak_min": 60,
        "slope_before": before,
        "slope_after": None if after == before else after,
    }


def _readings(make: Make, session: Row, expected: float, rng: np.random.Generator) -> list[Row]:
    """A zero, the hangings (a cell twice over, or four of a left arm), a zero."""
    if make.kind == "crank_arm_left":
        cells: list[tuple[str | None, str | None]] = [("left", None)] * 4
    else:
        cells = [(a, c) for c in ("small", "large") for a in ("left", "right") for _ in range(2)]
    scatter = centred(len(cells), session["u_session"] / 100, rng)
    zero = rng.normal(0, 0.2)
    gain = math.exp(session["found"] / 100)
    rows: list[Row] = [{"load": "zero", "torque_nm": zero, "arm": None, "chainring": None}]
    for (arm, ring), off in zip(cells, scatter, strict=True):
        torque = expected * gain * (1 + off) + zero
        rows.append({"load": "mass", "torque_nm": torque, "arm": arm, "chainring": ring})
    rows.append(dict(rows[0]))
    return [
        r | {"torque_nm": round(r["torque_nm"], 3), "reading": k + 1} for k, r in enumerate(rows)
    ]


def centred(n: int, u_mean: float, rng: np.random.Generator) -> Array:
    """n deviations that sum to zero and say that their mean has standard uncertainty u_mean."""
    z = rng.normal(size=n)
    z -= z.mean()
    scattered: Array = z / z.std(ddof=1) * u_mean * math.sqrt(n)
    return scattered


def _comparisons(fleet: Fleet, rng: np.random.Generator) -> pl.DataFrame:
    rows: list[Row] = []
    for ride in fleet.frames["comparisons"].iter_rows(named=True):
        common = {
            "comparison_id": ride["comparison_id"],
            "meter_id": ride["meter_id"],
            "reference_id": ride["reference_id"],
            "measured_at": ride["at"],
            "temperature_c": round(ride["temperature_c"], 1),
            "rider_id": ride["rider_id"],
            "duration_s": 120,
        }
        rows += [common | step for step in ride_steps(ride["ratio"], ride["u"], rng)]
    return pl.DataFrame(rows, infer_schema_length=None)


def ride_steps(ratio: float, u: float, rng: np.random.Generator, n: int = 9) -> list[Row]:
    """Steady steps whose least-squares gain is `ratio` with standard uncertainty u (100·ln).

    meter = gain · reference + zero offset · angular velocity + residuals; the residuals are
    orthogonal to both regressors and of the size that makes the gain's standard error u.
    """
    reference = rng.permutation(np.linspace(110, 330, n)) + rng.normal(0, 6, n)
    cadence = rng.uniform(62, 102, n)
    omega = cadence * 2 * math.pi / 60
    gain, zero = math.exp(ratio / 100), rng.normal(0, 0.2)
    X = np.column_stack([reference, omega])
    inverse = np.linalg.inv(X.T @ X)
    residuals = rng.normal(size=n)
    residuals -= X @ (inverse @ (X.T @ residuals))
    sigma = u / 100 * gain / math.sqrt(inverse[0, 0])
    residuals *= sigma / math.sqrt(float(residuals @ residuals) / (n - 2))
    meter = gain * reference + zero * omega + residuals
    return [
        {
            "step": k + 1,
            "meter_w": round(float(meter[k]), 2),
            "reference_w": round(float(reference[k]), 2),
            "cadence_rpm": round(float(cadence[k]), 2),
        }
        for k in range(n)
    ]


def _installations(fleet: Fleet) -> pl.DataFrame:
    rows = []
    for meter in fleet.truth.meters.values():
        starts = [max(at, float(meter.start)) for at, _ in meter.cranks]
        ends: list[float | None] = [s - 1 for s in starts[1:]] + [None]
        for (_, crank), start, end in zip(meter.cranks, starts, ends, strict=True):
            rows.append(
                {
                    "meter_id": meter.meter_id,
                    "bike_id": f"B-{crank}",
                    "from_date": _day(fleet, start),
                    "to_date": None if end is None else _day(fleet, end),
                    "crank_id": crank,
                    "crank_length_mm": CRANK_MM,
                }
            )
    return pl.DataFrame(rows, infer_schema_length=None)


def truth_frame(fleet: Fleet, days: Mapping[str, date]) -> pl.DataFrame:
    """True gain error in percent of every meter at named days: meter_id and a column a name."""
    columns = {name: fleet.gain_errors_pct(day) for name, day in days.items()}
    ids = list(fleet.truth.meters)
    return pl.DataFrame(
        {"meter_id": ids} | {n: [c.get(m) for m in ids] for n, c in columns.items()},
        schema_overrides=dict.fromkeys(columns, pl.Float64),
    )
