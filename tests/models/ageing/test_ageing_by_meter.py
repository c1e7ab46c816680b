"""Rates and steps by meter and group, and the control limits on them."""

from datetime import UTC, date, datetime, timedelta
from math import inf

import numpy as np
import polars as pl
import pytest

from models.ageing import ageing_document
from models.ageing.ageing_by_meter import OWN_SCALE_WORTH, _scale
from models.fleet import FleetData, FleetFit, FleetSettings, fit
from tests.models.truth import rows

DAY = 1 / 365.25
FIRST = date(2022, 1, 1)


@pytest.fixture(scope="module")
def sleep() -> FleetFit:
    """The sleep study as a fleet: a subject a meter, a day a day, a reaction time in ms."""
    table = rows("sleepstudy.csv")
    ids = [row["subject"] for row in table]
    start = datetime(2001, 1, 1, tzinfo=UTC)
    data = FleetData(
        meters=pl.DataFrame({"meter_id": sorted(set(ids))}).with_columns(
            group=pl.lit("all"), in_service_on=pl.lit(date(2001, 1, 1))
        ),
        bench=pl.DataFrame(
            {
                "session_id": [str(i) for i in range(len(table))],
                "meter_id": ids,
                "at": [start + timedelta(days=float(row["days"])) for row in table],
                "found": [float(row["reaction_ms"]) for row in table],
                "u_session": 0.0,
            }
        ),
    )
    plain = FleetSettings(
        priors=None,
        fixed={"walk": 0.0, "swap": 0.0},
        mean_start_sd=inf,
        mean_drift_sd=inf,
        robust=False,
        alarms=False,
        tolerance=1e-9,
    )
    return fit(data, today=date(2001, 1, 11), settings=plain)


def test_sleepstudy(sleep):
    """Bates, Maechler, Bolker & Walker (2015), J Stat Softw 67(1): the mean slope is 10.46729 a
    day, subject 308's 19.6662 (coef), 309's 1.8476, 335's is the lowest."""
    found = sleep.ageing()
    drift = dict(found.meters.select("meter_id", "drift").iter_rows())
    assert drift["308"] * DAY == pytest.approx(19.6662, abs=2e-3)
    assert drift["309"] * DAY == pytest.approx(1.8476, abs=2e-3)
    assert min(drift, key=lambda name: drift[name]) == "335"
    [group] = found.groups.to_dicts()
    assert group["drift"] * DAY == pytest.approx(10.46729, abs=1e-4)


def drifting(own: dict[str, float], *, swaps: float = 0.0, seed: int = 4) -> FleetFit:
    """Twelve meters that lose 0.7 a year, or as told, read four times a year for three years."""
    rng = np.random.default_rng(seed)
    bench, events = [], []
    names = [f"OL-{i:02d}" for i in range(12)]
    for name in names:
        rate = own.get(name, -0.7 + 0.1 * rng.normal())
        change = [int(rng.uniform(200, 400)), int(rng.uniform(500, 900))] if swaps else []
        events += [(name, FIRST + timedelta(days=d), "battery_swap") for d in change]
        start = rng.normal(0, 0.5)
        for day in range(20, 1095, 91):
            step = swaps * sum(d <= day for d in change)
            bench.append(
                {
                    "session_id": f"{name}-{day}",
                    "meter_id": name,
                    "at": datetime(2022, 1, 1, 9, tzinfo=UTC) + timedelta(days=day),
                    "found": start + rate * day / 365.25 + step + 0.15 * rng.normal(),
                    "u_session": 0.15,
                }
            )
    told = pl.DataFrame(
        events, schema={"meter_id": pl.String, "on": pl.Date, "event": pl.String}, orient="row"
    )
    data = FleetData(
        meters=pl.DataFrame({"meter_id": names}).with_columns(
            group=pl.lit("olivine"), in_service_on=pl.lit(FIRST)
        ),
        bench=pl.DataFrame(bench),
        events=told,
    )
    return fit(data, today=date(2024, 12, 31), settings=FleetSettings(alarms=False))


def document(fleet: FleetFit):
    roster = pl.DataFrame({"meter_id": fleet.prepared.devices.meters}).with_columns(
        gone=False, serial_number=pl.lit("12345"), purchase_date=pl.lit(date(2021, 5, 1))
    )
    schema = {"meter_id": pl.String, "date": pl.Date, "event": pl.String, "note": pl.String}
    events = pl.DataFrame(schema=schema)
    [group] = ageing_document(fleet, roster, events, false_alarms_per_season=1.0)["groups"]
    return group


def test_a_meter_that_ages_three_times_as_fast_is_named():
    group = document(drifting({"OL-03": -2.1}))
    assert [row["meter_id"] for row in group["meters"] if row["outside"]] == ["OL-03"]
    assert "OL-03 ages by" in group["text"]
    assert "times as fast as its group" in group["text"]
    assert [row["serial"] for row in group["meters"]] == ["123"] * 12


def test_nobody_is_named_without_cause():
    """Twelve meters alike, five fleets: at a tenth of a false alarm a season none is due."""
    named = [
        row["meter_id"]
        for seed in range(5)
        for row in document(drifting({}, seed=seed))["meters"]
        if row["outside"]
    ]
    assert len(named) <= 1


def test_steps_at_battery_swaps_are_told_apart_from_drift():
    group = document(drifting({}, swaps=0.5))
    low, high = group["interval90_pct_per_year"]
    assert low < -0.7 < high
    low, high = group["swap_interval90_pct"]
    assert 0.3 < low < 0.5 < high < 0.7
    first = group["meters"][0]
    assert len(first["swap_points"]) == first["swaps"] == 2
    ages = [point["age_years"] for point in first["points"]]
    assert ages == sorted(ages)


def test_the_course_begins_at_nothing_and_goes_on():
    group = document(drifting({}))
    first, last = group["course"][0], group["course"][-1]
    assert first["change_pct"] == 0.0
    assert last["age_years"] == pytest.approx(max(m["age_years"] for m in group["meters"]) + 2)
    assert last["interval90_pct"][0] < 100 * np.expm1(-0.7 * last["age_years"] / 100)
    assert last["meters90_pct"][0] <= last["interval90_pct"][0]


def test_an_outlier_does_not_widen_its_own_limits():
    """The spread is the median's, weighed with what the model expects; never above it."""
    alike = pl.DataFrame({"drift": [0.0] * 20, "usual": 0.0, "moved_sd": 1.0})
    assert _scale(alike) == pytest.approx(np.sqrt(OWN_SCALE_WORTH / (20 + OWN_SCALE_WORTH)))
    wild = pl.DataFrame({"drift": np.linspace(-9, 9, 20), "usual": 0.0, "moved_sd": 1.0})
    assert _scale(wild) == 1.0
