"""Pairs whose reference bends or warms up: error, coverage, and whether the reader is warned.

python -m tests.benchmarks.recordings.wrong_rides [PAIRS OF A WORLD] [SEED]

`warned`: that the line does not fit, that the ratio moves, or that rising steps cannot tell; on
the good worlds a warning is one without cause (of rising steps it is what the protocol deserves).
"""

from __future__ import annotations

import sys

import numpy as np

from models.rides import compare_recordings
from tests.simulate.wrong_rides import wrong_pair

WARNINGS = ("ratio_bends", "ratio_drifts", "one_way", "line_misfit")
WORLDS: dict[str, dict[str, float | str]] = {
    "good, steps": {"kind": "steps"},
    "good, outdoor": {"kind": "outdoor"},
    "good, rising": {"kind": "rising"},
    "good, steps, 20 min": {"kind": "steps", "minutes": 20.0},
    "bent 0.6, steps": {"kind": "steps", "bend_pct": 0.6},
    "bent −0.6, steps": {"kind": "steps", "bend_pct": -0.6},
    "bent 0.6, outdoor": {"kind": "outdoor", "bend_pct": 0.6},
    "bent 0.6, rising": {"kind": "rising", "bend_pct": 0.6},
    "bent 0.6, steps, 20 min": {"kind": "steps", "bend_pct": 0.6, "minutes": 20.0},
    "warming 1.5, rising": {"kind": "rising", "warming_pct": 1.5},
    "warming 1.5, steps": {"kind": "steps", "warming_pct": 1.5},
    "warming 1.5, outdoor": {"kind": "outdoor", "warming_pct": 1.5},
    "both, rising": {"kind": "rising", "bend_pct": 0.4, "warming_pct": 1.0},
}


def row(pairs: int, seed: int, world: dict[str, float | str]) -> dict[str, float]:
    """Numbers of one world, percent and shares."""
    error, u, inside, warned = [], [], [], []
    for k in range(pairs):
        pair = wrong_pair(np.random.default_rng([seed, k]), **world)  # type: ignore[arg-type]
        found = compare_recordings(pair.meter, pair.reference)
        interval = found.interval90_pct()
        if found.gain_ratio_pct is None or interval is None:
            continue
        error.append(found.gain_ratio_pct - pair.truth.gain_pct)
        u.append(found.u_gain_ratio_pct or 0.0)
        inside.append(interval[0] <= pair.truth.gain_pct <= interval[1])
        warned.append(any(warning.kind in WARNINGS for warning in found.warnings))
    size = np.abs(error)
    return {
        "n": len(error),
        "median": float(np.median(size)),
        "q95": float(np.quantile(size, 0.95)),
        "bias": float(np.mean(error)),
        "u": float(np.median(u)),
        "cover": float(np.mean(inside)),
        "warned": float(np.mean(warned)),
        "either": float(np.mean(np.array(inside) | np.array(warned))),
    }


def main(pairs: int, seed: int) -> None:
    for name, world in WORLDS.items():
        found = row(pairs, seed, world)
        print(f"{name:24s}" + "  ".join(f"{k} {v:.3f}" for k, v in found.items()), flush=True)


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]]
    main(*(given + [60, 1][len(given) :]))
