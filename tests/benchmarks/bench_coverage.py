"""How often the bench's 95 % interval holds the truth, and whether it is wider than need be.

Run by hand: `python -m tests.benchmarks.bench_coverage [sessions a design]`.
U/half: mean expanded uncertainty over the 95 % half-width of the errors actually made.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from models.bench import evaluate_bench
from tests.models.bench.bench_sessions import Design, simulate

BASE = Design()
DESIGNS = {
    "all defaults (gravity assumed, M3, ± 0.5 mm, by eye)": BASE.but(gravity="assumed"),
    "gravity given": BASE,
    "gravity given, M1, crank ± 0.2 mm": BASE.but(mass_class="M1", crank_limit_mm=0.2),
    "crank ± 0.1 mm, two hangings a cell": BASE.but(mass_class="M1", crank_limit_mm=0.1, repeats=2),
    "left arm, three hangings": BASE.but(cells=(("left", None),), repeats=3),
    "one reading, zero before": BASE.but(cells=((None, None),), zeros="before"),
    "no zero": BASE.but(zeros="none"),
    "stamped ± 2 %": BASE.but(tolerance_g=400.0),
    "10 kg, display of 0.1 N·m": BASE.but(mass_kg=10.0, step_nm=0.1),
    "worse hands (0.3 %)": BASE.but(sd_hanging_pct=0.3),
    "better hands (0.05 %)": BASE.but(sd_hanging_pct=0.05),
    "0.4 %, two hangings a cell": BASE.but(sd_hanging_pct=0.4, repeats=2),
    "crank 3° by eye": BASE.but(sd_angle_deg=3.0),
}


def main(n: int) -> None:
    print(f"{'design':54} {'cover':>6} {'U':>6} {'half':>6} {'U/half':>6} {'bias':>7} {'ms':>5}")
    for k, (name, design) in enumerate(DESIGNS.items()):
        frame, truth = simulate(design, n, seed=100 + k)
        start = time.process_time()
        results = evaluate_bench({"bench": frame})
        spent = 1000 * (time.process_time() - start) / n
        found = np.array([r.found.error_pct for r in results if r.found])
        expanded = np.array([r.found.budget.expanded_pct for r in results if r.found])
        error = found - truth
        half = np.quantile(np.abs(error), 0.95)
        print(
            f"{name:54} {100 * np.mean(np.abs(error) <= expanded):6.1f} {expanded.mean():6.3f} "
            f"{half:6.3f} {expanded.mean() / half:6.2f} {error.mean():+7.3f} {spent:5.2f}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4000)
