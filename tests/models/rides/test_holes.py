"""Zeros that one recording alone has are holes: they neither hide the lag nor read as coasting."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.rides import compare_recordings
from tests.simulate.rides import Truth, simulate_pair

BLOCKS, LONG_S = 6, 60


def with_zeros(recording: pl.DataFrame, *, first: int, every: int) -> pl.DataFrame:
    """Return a recording with six minutes of zeros in six blocks, its cadence too."""
    hole = np.zeros(recording.height, dtype=bool)
    for k in range(BLOCKS):
        hole[first + k * every :][:LONG_S] = True
    zero = pl.when(pl.Series(hole)).then(0.0)
    return recording.with_columns(
        zero.otherwise(pl.col(name)).alias(name) for name in ("power_w", "cadence_rpm")
    )


@pytest.mark.parametrize(("kind", "seed"), [("outdoor", 14), ("steps", 13)])
def test_zeros_of_one_recording_do_not_hide_the_lag(kind: str, seed: int) -> None:
    """Known truth: without the zeros the same ride has the same lag; the gain is 1.5 %."""
    pair = simulate_pair(np.random.default_rng(seed), Truth(lag_s=17.0), kind=kind, minutes=20)
    whole = compare_recordings(pair.meter, pair.reference).alignment.lag_s
    holed = with_zeros(pair.meter, first=60 + 5 * seed, every=150 + 3 * seed)
    found = compare_recordings(holed, pair.reference)
    assert whole is not None
    assert found.alignment.lag_s == pytest.approx(whole, abs=0.3)
    assert "lag_untold" not in {warning.kind for warning in found.warnings}
    assert found.smoothing.seconds < 8
    assert found.excluded_s["meter_dropout"] > 0.6 * BLOCKS * LONG_S
    low, high = found.interval90_pct() or (np.nan, np.nan)
    assert low <= 1.5 <= high
