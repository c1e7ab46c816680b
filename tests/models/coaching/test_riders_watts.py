"""How far a meter's watts are its rider's, where legs, ring or chain stand between."""

from __future__ import annotations

import pytest
from scipy.stats import norm

from models.coaching import watts_status
from models.coaching.documents import Shown


def shown(error: float, sd: float) -> Shown:
    return {
        "example_w": 300.0,
        "shown_w": 300.0 + 3 * error,
        "interval90_w": [0.0, 0.0],
        "rider_error_pct": error,
        "rider_error_sd_pct": sd,
    }


@pytest.mark.parametrize(
    ("status", "error", "sd", "told"),
    [
        ("ok", 0.2, 0.3, "ok"),
        ("soon", 0.2, 0.3, "soon"),
        ("ok", 1.0, 1.0, "due"),
        ("ok", 3.0, 0.5, "out"),
        ("out", 0.2, 0.3, "out"),
        ("unknown", 0.2, 0.3, "unknown"),
    ],
)
def test_a_sensors_status_is_made_worse_by_what_it_does_not_see(
    status: str, error: float, sd: float, told: str
) -> None:
    """By scipy: 1.0 ± 1.0 % lies within 1.5 % with a chance of 0.685, 3.0 ± 0.5 % with 0.001."""
    within = norm.cdf(1.5, error, sd) - norm.cdf(-1.5, error, sd)
    assert watts_status(status, shown(error, sd), 1.5, 0.9) == told
    assert (told == status) == (within >= 0.9 or status in ("out", "unknown"))
