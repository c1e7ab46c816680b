"""How often an honest session is accused of a mistake, and how often a mistake is named.

Run by hand: `python -m tests.benchmarks.suspicion_rates [sessions a case]`.
Meters start with errors of 1 % (standard deviation), drift 0.6 % a year and wander as much;
two in a hundred are knocked by some 3 % before the last session. The past is none, or sessions
half a year apart, each with its own crank as entered; the last session carries the mistake.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl

from ingest.schema import TABLES
from models.bench import evaluate_bench
from models.bench.evaluation import SessionResult
from tests.models.bench.bench_sessions import AT, BUOYANCY, SPIDER, table

Row = dict[str, Any]
Spoil = Callable[[Row], None]

G, MASS_KG, HANGER_KG, CRANK_MM = 9.8112, 20.0, 0.35, 172.5


def _entry(name: str, value: Any) -> Spoil:
    def spoil(row: Row) -> None:
        row[name] = value

    return spoil


def _shown(factor: float) -> Spoil:
    def spoil(row: Row) -> None:
        row["torque_nm"] = round(row["torque_nm"] * factor, 2)

    return spoil


MISTAKES: dict[str, tuple[str | None, Spoil]] = {
    "none": (None, lambda row: None),
    "crank 170 for 172.5": ("crank_length", _entry("crank_length_mm", 170.0)),
    "crank 175 for 172.5": ("crank_length", _entry("crank_length_mm", 175.0)),
    "crank 167.5 for 172.5": ("crank_length", _entry("crank_length_mm", 167.5)),
    "hanger left out": ("hanger_mass", _entry("hanger_mass_kg", 0.0)),
    "other mass set": ("mass", _shown(19.8 / 20.35)),
    "crank 9° off level": ("angle", _shown(math.cos(math.radians(9)))),
    "pounds": ("unit", _shown(0.45359237)),
    "display doubled": ("doubled_display", _shown(2.0)),
}


def build(n: int, sessions: int, spoil: Spoil, *, seed: int) -> pl.DataFrame:
    """n meters with a number of sessions each; the last one of each is spoiled."""
    rng = np.random.default_rng(seed)
    rows: list[Row] = []
    for meter in range(n):
        error, drift = rng.normal(0, 1), rng.normal(0, 0.6)
        crank = CRANK_MM + rng.uniform(-0.5, 0.5)
        for k in range(sessions):
            last = k == sessions - 1
            if k:
                error += drift * 0.5 + rng.normal(0, 0.6 * math.sqrt(0.5))
            if last and rng.uniform() < 0.02:
                error += rng.normal(0, 3)
            for row in _session(meter, k, crank, float(error), rng):
                if last:
                    spoil(row)
                rows.append(row)
    return TABLES["bench"].conform(pl.DataFrame(rows, infer_schema_length=None))


def _session(
    meter: int, k: int, crank_mm: float, error: float, rng: np.random.Generator
) -> list[Row]:
    torque = (MASS_KG + HANGER_KG) * G * crank_mm / 1000 * BUOYANCY
    level = math.cos(math.radians(rng.normal(0, 1.5)))
    common: Row = {
        "session_id": f"S{meter}-{k}",
        "meter_id": f"M{meter}",
        "measured_at": AT + timedelta(days=182 * k),
        "bench_id": "A",
        "mass_kg": MASS_KG,
        "hanger_mass_kg": HANGER_KG,
        "crank_length_mm": CRANK_MM,
        "gravity_ms2": G,
    }
    rows: list[Row] = [{"load": "zero", "torque_nm": round(rng.normal(0, 0.03), 2)}]
    for arm, ring in SPIDER:
        shown = torque * level * (1 + error / 100) * (1 + rng.normal(0, 0.0015))
        rows.append({"load": "mass", "arm": arm, "chainring": ring, "torque_nm": round(shown, 2)})
    return [common | row for row in rows]


def tables_of(bench: pl.DataFrame, n: int, *, known_crank: bool) -> dict[str, pl.DataFrame]:
    sets = [
        {"bench_id": "A", "mass_kg": MASS_KG, "hanger_mass_kg": HANGER_KG, "mass_class": "M1"},
        {"bench_id": "B", "mass_kg": 19.6, "hanger_mass_kg": 0.2, "mass_class": "M1"},
    ]
    meters = [
        {"meter_id": f"M{k}", "crank_length_mm": CRANK_MM if known_crank else None}
        for k in range(n)
    ]
    return {
        "bench": bench,
        "mass_sets": table("mass_sets", sets),
        "meters": table("meters", meters),
    }


def last_of(results: list[SessionResult], sessions: int) -> list[SessionResult]:
    return [r for r in results if r.session.session_id.endswith(f"-{sessions - 1}")]


def main(n: int) -> None:
    print(f"{'mistake':22} {'past':>5} {'length known':>12} {'accused':>8} {'named right':>12}")
    for name, (kind, spoil) in MISTAKES.items():
        for sessions in (1, 4):
            for known in (False, True):
                bench = build(n, sessions, spoil, seed=7)
                results = last_of(evaluate_bench(tables_of(bench, n, known_crank=known)), sessions)
                accused = np.mean([bool(r.suspicions) for r in results])
                first = [r.suspicions[0].kind if r.suspicions else "" for r in results]
                right = "" if kind is None else f"{100 * np.mean([k == kind for k in first]):.1f}"
                print(f"{name:22} {sessions - 1:5} {known!s:>12} {100 * accused:8.1f} {right:>12}")
                if kind is None:
                    _by_size(results)


def _by_size(results: list[SessionResult]) -> None:
    """False accusations by the size of the honest error."""
    for low, high in ((0, 1), (1.2, 1.7), (1.7, 2.5), (2.5, 9)):
        chosen = [r for r in results if r.found and low <= abs(r.found.error_pct) < high]
        share = 100 * np.mean([bool(r.suspicions) for r in chosen]) if chosen else float("nan")
        print(f"    errors of {low} to {high} %: {share:5.1f} % of {len(chosen)} accused")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
