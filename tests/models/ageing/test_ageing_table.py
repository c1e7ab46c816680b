"""The share found out of tolerance by simulation; the rest of the table is its parts' own tests."""

import numpy as np
import polars as pl
from scipy.stats import norm

from models.ageing.ageing_table import share_out_of_tolerance


def test_share_out_covers_the_true_share():
    """Meters differ, so their sessions hang together: 90 % intervals over 200 simulated groups."""
    rng = np.random.default_rng(36)
    true = 2 * norm.cdf(-1.5 / np.hypot(1.0, 0.3))
    covered = 0
    for _ in range(200):
        error = np.repeat(rng.normal(0, 1, 40), 5) + rng.normal(0, 0.3, 200)
        frame = pl.DataFrame(
            {
                "meter_id": np.repeat(np.arange(40), 5).astype(str),
                "model_group": ["A"] * 200,
                "gain_error_pct": error,
                "tolerance_pct": [1.5] * 200,
            }
        )
        row = share_out_of_tolerance(frame).row(0, named=True)
        assert row["n_out"] == (np.abs(error) > 1.5).sum()
        covered += row["out_share_lo"] <= true <= row["out_share_hi"]
    assert 0.84 <= covered / 200 <= 0.96
