"""Coverage of the drift table's 90 % intervals on simulated groups; run by hand.

python -m tests.benchmarks.fleet.population_coverage [GROUPS]
"""

import sys

import numpy as np
import polars as pl

from models.ageing import drift_table
from models.records import slope_chain
from tests.models.ageing.drifting_fleet import TODAY, Drifting, frames

CASES = {
    "1 meter": Drifting(1, most_sessions=2),
    "4 meters": Drifting(4),
    "8 meters": Drifting(8),
    "15 meters": Drifting(15),
    "40 meters": Drifting(40),
    "15 meters, few sessions": Drifting(15, most_sessions=4),
    "15 meters, random walk": Drifting(15, walk=0.3),
    "15 meters, alike": Drifting(15, sd_drift=0.0),
}


def run(name: str, truth: Drifting, groups: int) -> dict[str, object]:
    """One line of the table."""
    rng = np.random.default_rng(21)
    tables = []
    for _ in range(groups):
        meters, sessions, swaps = frames(truth, rng)
        resets = slope_chain(meters, sessions)
        tables.append(drift_table(sessions, resets, meters, swaps, today=TODAY))
    found = pl.concat(tables)
    line: dict[str, object] = {"case": name, "mixed": (found["method"] == "mixed").mean()}
    for part, true, unit in (
        ("drift", truth.drift, "_pct_per_year"),
        ("swap", truth.swap, "_pct"),
    ):
        error = (found[part + unit] - true).drop_nulls()
        inside = (found[f"{part}_lo90"] <= true) & (found[f"{part}_hi90"] >= true)
        line[f"{part}_cover"] = inside.mean()
        line[f"{part}_bias"] = error.mean()
        line[f"{part}_rmse"] = float(np.sqrt((error.to_numpy() ** 2).mean()))
        line[f"{part}_u"] = found[f"u_{part}{unit}"].mean()
    return line


def main() -> None:
    """Prints the table."""
    groups = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    with pl.Config(tbl_cols=-1, tbl_rows=-1, float_precision=3, tbl_width_chars=160):
        print(pl.DataFrame([run(name, truth, groups) for name, truth in CASES.items()]))


if __name__ == "__main__":
    main()
