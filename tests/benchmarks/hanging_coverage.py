"""How often the 95 % interval of a single hanging holds the truth, by what is known of its hand.

Run by hand: `python -m tests.benchmarks.hanging_coverage [technicians] [seed]`. Columns: sessions
of three hangings that the technician was seen at before; 0: nothing but the prior.
"""

import sys

import numpy as np
import polars as pl

from models.bench import evaluate_bench
from tests.simulate.hangings import LAST, hangings

SCATTERS_PCT = (0.05, 0.15, 0.4, 0.8)
PAST = (0, 1, 3, 8, 20)


def last_results(scatter_pct: float, past: int, *, technicians: int, seed: int) -> np.ndarray:
    """Return error made and expanded uncertainty, %, of each technician's single hanging."""
    frame, truth = hangings(scatter_pct, technicians=technicians, past=past, seed=seed)
    results = evaluate_bench({"bench": frame}, in_order=True)
    single = [r.found for r in results if r.session.session_id.endswith(LAST) and r.found]
    found = np.array([(gain.error_pct, gain.budget.expanded_pct) for gain in single])
    found[:, 0] -= truth
    return found


def main(technicians: int, seed: int) -> None:
    rows = []
    for scatter in SCATTERS_PCT:
        for past in PAST:
            found = last_results(scatter, past, technicians=technicians, seed=seed)
            error, expanded = found[:, 0], found[:, 1]
            rows.append(
                {
                    "scatter_pct": scatter,
                    "sessions_before": past,
                    "coverage": 100 * np.mean(np.abs(error) <= expanded),
                    "expanded_pct": expanded.mean(),
                    "half95_pct": np.quantile(np.abs(error), 0.95),
                    "bias_pct": error.mean(),
                }
            )
    with pl.Config(tbl_rows=-1, float_precision=3):
        print(pl.DataFrame(rows))


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    main(*(numbers + [800, 1][len(numbers) :]))
