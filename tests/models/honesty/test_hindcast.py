"""Hindcasts against simulated fleets with known truth, and against the forecast by hand."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import partial

import numpy as np
import polars as pl
import pytest

from models.fleet import FleetData, FleetSettings, condition, fit
from models.honesty.looking_back import before, forecasts, waves
from models.metrology import Z90
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleets import SCENARIOS, Fleet, simulate_fleet

PLAIN = FleetSettings(alarms=False, robust=False)


def small_fleet(seed: int, *, rides: float = 3.0) -> Fleet:
    options = replace(
        SCENARIOS["usual"],
        n_meters=10,
        years=1.4,
        comparison_rate=rides,
        bench_u=(0.003,),
        place_u=(0.02,),
    )
    return simulate_fleet(options, seed)


def look_back(data: FleetData) -> pl.DataFrame:
    complete = data.completed()
    return forecasts(complete.bench, partial(before, complete), PLAIN)


@pytest.fixture(scope="module")
def told() -> tuple[FleetData, pl.DataFrame]:
    data = fleet_data(small_fleet(31))
    return data, look_back(data)


def test_every_session_is_forecast_once(told: tuple[FleetData, pl.DataFrame]) -> None:
    data, rows = told
    assert sorted(rows["session_id"]) == sorted(data.bench["session_id"])
    assert rows["sd_ln"].is_finite().all()


def test_workers_forecast_the_same(told: tuple[FleetData, pl.DataFrame]) -> None:
    complete = told[0].completed()
    with ThreadPoolExecutor(2) as workers:
        shared = forecasts(complete.bench, partial(before, complete), PLAIN, workers=workers)
    assert shared.equals(told[1])


def test_a_forecast_knows_nothing_of_its_day_or_later() -> None:
    """What is found from a day on may be anything: the forecasts up to that day stay the same."""
    data = fleet_data(small_fleet(32))
    cut = sorted(data.bench["at"].dt.date().unique())[8]
    late = pl.col("at").dt.date() >= cut
    shifted = replace(
        data,
        bench=data.bench.with_columns(found=pl.when(late).then(9.0).otherwise("found")),
        comparisons=data.comparisons.with_columns(
            ratio=pl.when(late).then(-9.0).otherwise("ratio")
        ),
    )
    day = data.bench.select("session_id", day=pl.col("at").dt.date())
    ours, theirs = (
        look_back(before(d, datetime.combine(cut + timedelta(days=1), datetime.min.time(), UTC)))
        .join(day, on="session_id")
        .filter(pl.col("day") <= cut)
        for d in (data, shifted)
    )
    assert ours.height > 6
    np.testing.assert_allclose(ours["forecast_ln"], theirs["forecast_ln"], atol=1e-4)
    np.testing.assert_allclose(ours["sd_ln"], theirs["sd_ln"], atol=1e-4)


def test_the_forecast_is_the_models_own(told: tuple[FleetData, pl.DataFrame]) -> None:
    """By another way: meter and mass set from the joint posterior of the data before the day,
    plus the session's stated noise and what its group scatters beyond it."""
    data, rows = told[0].completed(), told[1]
    one = data.bench.sort("at").row(-1, named=True)
    day = one["at"].date()
    known = before(data, datetime.combine(day, datetime.min.time(), UTC))
    start = date(day.year, 3 * ((day.month - 1) // 3) + 1, 1)
    hyper = fit(
        before(data, datetime.combine(start, datetime.min.time(), UTC)), today=start, settings=PLAIN
    ).hyper
    fleet = condition(known, hyper, today=day, settings=PLAIN)
    mean, cov = fleet.joint([(one["meter_id"], one["at"]), (("bench", one["bench_id"]), one["at"])])
    group = fleet.prepared.devices.group[fleet.prepared.devices.meters.index(one["meter_id"])]
    extra = fleet.hyper.sd("bench")[group]
    ours = rows.filter(pl.col("session_id") == one["session_id"]).row(0, named=True)
    assert ours["fitted_on"] == start
    assert ours["forecast_ln"] == pytest.approx(mean.sum(), abs=0.12)  # the crank's own part
    least = cov.sum() + one["u_session"] ** 2 + extra**2
    assert least * 0.9 <= ours["sd_ln"] ** 2 <= least + 0.2**2 + 0.02**2 + 0.05


def test_nine_in_ten_are_found_within_the_interval(
    told: tuple[FleetData, pl.DataFrame],
) -> None:
    """Simulation with known parameters of nature, two small fleets."""
    parts = [told[1], *(look_back(fleet_data(small_fleet(s))) for s in (34,))]
    rows = pl.concat(parts)
    z = (rows["found_ln"] - rows["forecast_ln"]) / rows["sd_ln"]
    assert rows.height > 40
    assert (z.abs() <= Z90).mean() == pytest.approx(0.90, abs=0.08)
    assert abs(float(z.to_numpy().mean())) < 0.35


def test_the_first_sessions_have_wide_forecasts(told: tuple[FleetData, pl.DataFrame]) -> None:
    rows = told[1]
    first, last = rows["sd_ln"][:3].mean(), rows["sd_ln"][-20:].mean()
    assert isinstance(first, float)
    assert isinstance(last, float)
    assert first > 1.5 * last


def test_a_second_session_on_a_day_knows_the_first() -> None:
    noon = datetime(2026, 3, 2, 12, tzinfo=UTC)
    bench = pl.DataFrame(
        {
            "session_id": ["a", "b", "c"],
            "meter_id": ["M1", "M1", "M2"],
            "at": [noon, noon + timedelta(hours=2), noon],
        }
    )
    found = [(w.known_until, w.sessions["session_id"].to_list()) for w in waves(bench)]
    assert found == [
        (datetime(2026, 3, 2, tzinfo=UTC), ["a", "c"]),
        (noon + timedelta(hours=2), ["b"]),
    ]


def test_many_days_are_forecast_a_week_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Known is then what was known on the week's Monday, of a meter's second session in the week
    what was known before it."""
    monkeypatch.setattr("models.honesty.looking_back.MOST_DAYS", 2)
    noon = datetime(2026, 3, 3, 12, tzinfo=UTC)  # a Tuesday
    bench = pl.DataFrame(
        {
            "session_id": ["a", "b", "c", "d"],
            "meter_id": ["K1", "K2", "K1", "K1"],
            "at": [noon, noon + timedelta(days=2), noon + timedelta(days=3), noon + timedelta(9)],
        }
    )
    found = [(w.known_until, w.sessions["session_id"].to_list()) for w in waves(bench)]
    assert found == [
        (datetime(2026, 3, 2, tzinfo=UTC), ["a", "b"]),
        (noon + timedelta(days=3), ["c"]),
        (datetime(2026, 3, 9, tzinfo=UTC), ["d"]),
    ]
