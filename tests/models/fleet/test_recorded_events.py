"""What a recorded event adds to what is unknown of a meter, and how the fleet's cases say it."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.fleet import FleetData, FleetFit, FleetSettings, fit

FIRST = date(2024, 1, 1)
TODAY = FIRST + timedelta(days=800)
SETTINGS = FleetSettings(alarms=False, robust=False)


def team(steps: dict[int, float], *, later: bool = True, event: str = "crash") -> FleetData:
    """Twelve meters benched every 100 days; on day 450 some are struck and move by so much.

    later: whether they are benched after that
    """
    rng = np.random.default_rng(4)
    bench: list[dict[str, Any]] = []
    for meter in range(12):
        level = rng.normal(0, 0.8)
        for day in range(0, 800, 100):
            if meter in steps and day > 450 and not later:
                continue
            moved = steps.get(meter, 0.0) if day > 450 else 0.0
            at = datetime(2024, 1, 1, 12, tzinfo=UTC) + timedelta(days=day)
            found = level + moved + rng.normal(0, 0.2)
            bench.append({"session_id": f"{meter}-{day}", "meter_id": f"m{meter}", "at": at,
                          "found": found, "u_session": 0.2})  # fmt: skip
    happened = {"meter_id": [f"m{m}" for m in steps], "on": FIRST + timedelta(days=450)}
    return FleetData(
        pl.DataFrame(
            {"meter_id": [f"m{m}" for m in range(12)], "group": "g", "in_service_on": FIRST}
        ),
        bench=pl.DataFrame(bench),
        events=pl.DataFrame(happened).with_columns(event=pl.lit(event)),
    )


def sd_on(fitted: FleetFit, meter: str, day: int) -> float:
    return float(fitted.gain_error(meter, [FIRST + timedelta(days=day)])[1][0])


@pytest.mark.parametrize(("event", "usual"), [("crash", 1.0), ("service", 0.25), ("remount", 0.15)])
def test_event_without_a_case_widens_by_its_documented_size(event: str, usual: float) -> None:
    fitted = fit(team({0: 0.0}, later=False, event=event), today=TODAY, settings=SETTINGS)
    before, after = sd_on(fitted, "m0", 449), sd_on(fitted, "m0", 450)
    assert after**2 - before**2 == pytest.approx(usual**2, rel=0.25)
    assert sd_on(fitted, "m1", 450) == pytest.approx(sd_on(fitted, "m1", 449), rel=0.02)


def test_size_of_a_crash_is_learnt_from_the_fleets_own() -> None:
    """Nine cases against the prior of 1.0: none moved; each moved by about 2 %."""
    still = fit(team(dict.fromkeys(range(9), 0.0)), today=TODAY, settings=SETTINGS)
    sizes = [2.0, -1.7, 2.4, -2.2, 1.8, 2.1, -1.9, -2.3, 1.6]
    moved = fit(team(dict(enumerate(sizes))), today=TODAY, settings=SETTINGS)
    assert still.hyper.fleet_sd("crash") < 0.5
    assert 1.3 < moved.hyper.fleet_sd("crash") < 2.6
    assert moved.hyper.fleet_sd("service") == pytest.approx(0.5)  # no case: as documented
