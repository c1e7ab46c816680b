"""Zero readings: temperature lines, jumps found and not invented."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from ingest.schema import TABLES
from models.fleet import Effect, dated_by_zeros
from models.metrology import year_of
from models.records import with_zero_alarms, zero_alarms, zero_candidates, zero_steps
from models.records.zeros import _series

FIRST = datetime(2023, 1, 5, 8, tzinfo=UTC)


def zeros(
    n_meters: int, seed: int, *, jump: float = 0.0, days: float = 20.0, raw: bool = False
) -> pl.DataFrame:
    """Fifty readings a meter over three years: a wandering zero that follows the temperature."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n_meters):
        line, level, walk = rng.normal(0.012, 0.006), rng.normal(0, 0.15), 0.0
        for k in range(50):
            day = k * days + rng.uniform(0, 5)
            walk += rng.normal(0, 0.008)
            celsius = 17 + 10 * np.cos(2 * np.pi * (day - 197) / 365) + rng.normal(0, 4)
            y = level + walk + line * (celsius - 20) + rng.standard_t(6) * 0.025
            y += jump * (k >= 30) * (i == 0)
            value = {"zero_raw": round(4000 * y)} if raw else {"zero_nm": round(y, 2)}
            rows.append(
                {
                    "meter_id": f"M{i:02d}",
                    "measured_at": FIRST + timedelta(days=day),
                    "temperature_c": round(celsius),
                }
                | value
            )
    return TABLES["zeros"].conform(pl.DataFrame(rows, infer_schema_length=None))


def test_no_jump_is_invented():
    """Forty meters, six fleets, three years: the zeros may use a tenth of one false alarm a
    season, so 1.8 are to be expected at most; heavy tails and a walk are in the readings."""
    found = sum(zero_steps(zeros(40, seed)).height for seed in range(6))
    assert found <= 3


@pytest.mark.parametrize("raw", [False, True])
def test_a_jump_is_found_and_dated(raw: bool):
    table = zeros(10, 3, jump=0.4, raw=raw)
    found = zero_steps(table)
    assert found["meter_id"].to_list() == ["M00"]
    row = found.row(0, named=True)
    own = table.filter(pl.col("meter_id") == "M00").sort("measured_at")["measured_at"].to_list()
    assert row["before"] == pytest.approx(own[29], abs=timedelta(seconds=1))
    assert row["at"] == pytest.approx(own[30], abs=timedelta(seconds=1))
    size = 0.4 * (4000 if raw else 1)
    assert abs(row["size"] - size) < 3 * row["sd"] < 0.3 * size
    assert row["unit"] == ("counts" if raw else "N·m")


def test_it_is_an_alarm_but_no_gain_error():
    steps = zero_steps(zeros(10, 3, jump=0.4))
    alarm = zero_alarms(steps).row(0, named=True)
    assert alarm["kind"] == "zero_step"
    assert alarm["size_pct"] is None
    assert alarm["size_nm"] == pytest.approx(0.4, abs=0.1)
    assert "no gain error" in alarm["text"]
    candidate = zero_candidates(steps).row(0, named=True)
    assert steps["before"][0] < candidate["at"] < steps["at"][0]


def test_a_jump_and_a_step_in_the_same_days_are_one_blow():
    """One alarm, and the step lies within the narrower days of the two: worked out by hand."""
    steps = zero_steps(zeros(10, 3, jump=0.4)).head(1)
    candidate, first, last = zero_candidates(steps), steps["before"][0], steps["at"][0]
    assert "N·m" in candidate["note"][0]
    around = [year_of(first - timedelta(days=50)), year_of(last + timedelta(days=20))]
    met, other = (
        Effect("step", "meter", meter, at=around[1], since=around[0])
        for meter in (steps["meter_id"][0], "another")
    )
    dated = dated_by_zeros([met, other], candidate)
    assert (dated[0].since, dated[0].at) == (year_of(first), year_of(last))
    assert dated[1] == other
    alarm = {"device_kind": "meter", "kind": "step", "date": last.date(), "size_pct": -2.7}
    days = {
        "earliest": first.date(),
        "latest": last.date(),
        "text": "…",
        "short": "…",
        "score": -9.0,
    }
    alarms = pl.DataFrame([alarm | days | {"device_id": met.device}])
    (both,) = with_zero_alarms(alarms, steps).to_dicts()
    assert (both["kind"], both["size_nm"]) == ("step", steps["size"][0])
    apart = alarms.with_columns(device_id=pl.lit("another"))
    assert sorted(with_zero_alarms(apart, steps)["kind"]) == ["step", "zero_step"]


def test_the_temperature_line_is_the_meters_own():
    """Simulated lines of 0.012 ± 0.006 N·m/°C come back, a jump in one notwithstanding."""
    found = np.array([series.per_c for series in _series(zeros(30, 5, jump=2.0))])
    rng = np.random.default_rng(5)
    true = []
    for _ in range(30):
        true.append(rng.normal(0.012, 0.006))
        rng.normal(0, 0.15)
        for _ in range(50):
            rng.uniform(0, 5), rng.normal(0, 0.008), rng.normal(0, 4), rng.standard_t(6)
    error = found - np.array(true)
    assert np.sqrt(np.mean(error**2)) < 0.0015


def test_few_readings_say_nothing():
    assert zero_steps(zeros(3, 1).head(4)).is_empty()
    assert zero_steps(TABLES["zeros"].empty()).is_empty()
