"""Simulated pairs of recordings: error, coverage, lag, and the time of a long pair.

python -m tests.benchmarks.recordings.rides [PAIRS OF A KIND] [SEED]
"""

import sys
import time

import numpy as np

from models.rides import compare_recordings
from tests.simulate.rides import (
    Mishaps,
    Pair,
    autoregressive,
    pair_from_power,
    random_mishaps,
    random_pair,
    random_truth,
    simulate_pair,
    steered_pair,
)


def narrow_pair(rng: np.random.Generator, sd: float) -> Pair:
    """A ride around 200 W with little change of power."""
    n = 2800 * 4
    power = 200 * np.exp(autoregressive(rng, n, 240, sd) + autoregressive(rng, n, 4, 0.02))
    cadence = 90 + autoregressive(rng, n, 40, 3)
    return pair_from_power(rng, power, cadence, random_truth(rng), mishaps=Mishaps())


def evaluated(pairs: list[Pair]) -> dict[str, float]:
    """Numbers of the table below; percent and seconds."""
    error, u, inside, late, reach = [], [], [], [], []
    for pair in pairs:
        found, truth = compare_recordings(pair.meter, pair.reference), pair.truth
        interval = found.interval90_pct()
        if found.gain_ratio_pct is None or interval is None:
            continue
        error.append(found.gain_ratio_pct - truth.gain_pct)
        u.append(found.u_gain_ratio_pct or 0.0)
        inside.append(interval[0] <= truth.gain_pct <= interval[1])
        late.append((found.alignment.lag_s or 0.0) - truth.lag_s)
        reach.append(max(1.0, 2 * truth.reference.smoothing_s))
    size = np.abs(error)
    return {
        "n": len(error),
        "median": float(np.median(size)),
        "q95": float(np.quantile(size, 0.95)),
        "bias": float(np.mean(error)),
        "sd": float(np.std(error)),
        "u": float(np.sqrt(np.mean(np.square(u)))),
        "cover": float(np.mean(inside)),
        "lag in smoothing": float(np.mean(np.abs(late) <= reach)),
    }


def long_pair_seconds(hours: float = 4.0) -> float:
    """Processor seconds for one pair, the best of three."""
    rng = np.random.default_rng(1)
    pair = simulate_pair(
        rng, random_truth(rng), kind="outdoor", minutes=60 * hours, mishaps=random_mishaps(rng)
    )
    taken = []
    for _ in range(3):
        start = time.process_time()
        compare_recordings(pair.meter, pair.reference)
        taken.append(time.process_time() - start)
    return min(taken)


def main(pairs: int, seed: int) -> None:
    makers = {
        "steps": lambda rng: random_pair(rng, "steps"),
        "outdoor": lambda rng: random_pair(rng, "outdoor"),
        "narrow, 10 %": lambda rng: narrow_pair(rng, 0.10),
        "narrow, 2 %": lambda rng: narrow_pair(rng, 0.02),
    }
    for name, make in makers.items():
        made = [make(np.random.default_rng([seed, k])) for k in range(pairs)]
        row = evaluated(made)
        print(f"{name:14s}" + "  ".join(f"{key} {value:.3f}" for key, value in row.items()))
    steered = [steered_pair(np.random.default_rng([seed, k]), "outdoor") for k in range(30)]
    void = [compare_recordings(p.meter, p.reference).void is not None for p in steered]
    print(f"steered pairs called void: {sum(void)} of {len(void)}")
    print(f"a four-hour pair: {long_pair_seconds():.2f} s")


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]]
    main(*(given + [150, 1][len(given) :]))
