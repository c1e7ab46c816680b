"""Interval methods: worked numbers, hand-made histories, simulated groups."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.policies import interval_table
from models.policies.interval_rules import reliability_interval
from models.policies.intervals import INTERVAL_SCHEMA, METHODS
from models.records import slope_chain

TODAY = date(2026, 1, 1)
BORN = date(2022, 1, 1)


def fleet(*meters):
    """Meters of (day, found percent[, slope after]), …; slope 20, a divisor; tolerance 1.5."""
    table = pl.DataFrame(
        {
            "meter_id": [f"M{n}" for n in range(len(meters))],
            "tolerance_pct": 1.5,
            "in_service_date": BORN,
            "kind": "hub",
            "model_group": "A",
            "slope_convention": "divisor",
            "factory_slope": 20.0,
        }
    )
    found = [
        {
            "session_id": f"{n}-{row[0]}",
            "meter_id": f"M{n}",
            "measured_at": datetime(2022, 1, 1, 12, tzinfo=UTC) + timedelta(days=int(row[0])),
            "gain_error_pct": float(row[1]),
            "slope_after": row[2] if len(row) > 2 else None,
        }
        for n, sessions in enumerate(meters)
        for row in sessions
    ]
    schema = {
        "session_id": pl.String,
        "meter_id": pl.String,
        "measured_at": pl.Datetime("us", "UTC"),
        "gain_error_pct": pl.Float64,
        "slope_after": pl.Float64,
    }
    sessions = pl.DataFrame(found, schema=schema)
    ln = 100 * (1 + pl.col("gain_error_pct") / 100).log()
    return sessions.with_columns(gain_error_ln=ln), table


def intervals(*meters, method=None, **options):
    sessions, table = fleet(*meters)
    resets = slope_chain(table, sessions)
    found = interval_table(sessions, resets, table, today=TODAY, **options)
    return found if method is None else found.filter(pl.col("method") == method)


def test_reliability_target_worked_numbers():
    """12 months, 82 % found within: 3.10162067 months for 95 %, 9.82725084 for 85 %."""
    assert reliability_interval(12, 0.82, 0.95) == pytest.approx(3.10162067, abs=1e-7)
    assert reliability_interval(12, 0.82, 0.85) == pytest.approx(9.82725084, abs=1e-7)
    with pytest.raises(ValueError, match="observed: found 1, expected a share between 0 and 1"):
        reliability_interval(12, 1.0, 0.9)


def test_every_meter_gets_every_method_in_order():
    found = intervals([(10, 0.1)], [], [(10, 0.1), (300, 0.2)])
    assert found.schema == pl.Schema(INTERVAL_SCHEMA)
    assert found["method"].to_list() == list(METHODS) * 3
    assert found["meter_id"].to_list() == [m for m in ("M0", "M1", "M2") for _ in METHODS]
    never = found.filter(pl.col("meter_id") == "M1")
    assert never["next_on"].to_list() == [TODAY] * 5
    assert set(never["reason"]) == {"Never benched."}


def test_calendar_counts_from_the_last_session_and_may_be_overdue():
    row = intervals([(10, 0.1), (200, 0.1)], method="calendar").row(0, named=True)
    assert row["next_on"] == BORN + timedelta(days=200 + 365)
    assert row["next_on"] < TODAY


@pytest.mark.parametrize(
    ("found", "days"),
    [
        ([0.1], 365 * 1.25),  # well inside
        ([1.2], 365 * 1.25),  # 80 % of the limit
        ([1.3], 365),  # inside, but near
        ([-1.6], 365 / 2),  # outside
        ([0.1, 0.1, 2.0], 365 * 1.25**2 / 2),
        ([2.0] * 6, 30),  # no less than the least
        ([0.0] * 20, 1826),  # no more than the most
    ],
)
def test_staircase_steps(found, days):
    history = [(30 * n, error) for n, error in enumerate(found)]
    row = intervals(history, method="staircase").row(0, named=True)
    assert row["interval_days"] == pytest.approx(days)


def test_control_chart_follows_the_line_across_resets():
    """1 % a year without scatter: reset to zero at 800 days, out of 1.5 % after 1.5 years.

    Scatter zero: the visit is due within the week in which the line leaves the tolerance.
    """
    drift = [0.01 * day * 100 / 365.25 for day in (100, 400, 800)]
    ln = [100 * np.expm1(x / 100) for x in drift]
    history = [(100, ln[0]), (400, ln[1]), (800, ln[2], 20.0 * np.exp(drift[2] / 100))]
    row = intervals(history, method="control_chart").row(0, named=True)
    exact = 100 * np.log(1.015) * 365.25
    assert exact < row["interval_days"] <= exact + 7
    assert row["reason"] is None


def test_control_chart_needs_a_line():
    found = intervals([(10, 0.1), (300, 0.2)], [(10, 0.1)], method="control_chart")
    assert found["interval_days"].to_list() == [None, None]
    assert found["reason"][0] == "2 sessions: no line of its own yet."
    assert found["reason"][1] == "1 session: no line of its own yet."


def test_scatter_shortens_the_control_chart_s_interval():
    rng = np.random.default_rng(51)
    days = range(100, 1300, 150)
    calm = [[(d, 0.05 * rng.standard_normal()) for d in days] for _ in range(5)]
    wild = [[(d, 0.40 * rng.standard_normal()) for d in days] for _ in range(5)]
    longer = intervals(*calm, method="control_chart")["interval_days"].mean()
    shorter = intervals(*wild, method="control_chart")["interval_days"].mean()
    assert shorter < 0.7 * longer


def test_hours_ridden_move_the_date():
    """Twice the group's hours a day: half of its interval."""
    days = [TODAY - timedelta(days=n) for n in range(100)]
    hours = {"M0": 1.0, "M1": 2.0, "M2": 2.0, "M3": 4.0}
    use = pl.DataFrame(
        [{"meter_id": m, "date": d, "hours": h} for m, h in hours.items() for d in days]
    )
    last = (TODAY - BORN).days  # benched today
    found = intervals(*[[(last, 0.1)]] * 5, method="in_use_time", use=use)
    assert found["interval_days"].to_list()[:4] == pytest.approx([730, 365, 365, 182.5])
    assert found["next_on"][1] == TODAY + timedelta(days=365)
    assert found["interval_days"][4] is None
    assert found["reason"][4] == "No hours of use are known."


def test_hours_since_the_last_session_count():
    days = [TODAY - timedelta(days=n) for n in range(100)]
    use = pl.DataFrame({"meter_id": "M0", "date": days, "hours": 2.0})
    last = (TODAY - BORN).days - 50
    row = intervals([(last, 0.1)], method="in_use_time", use=use).row(0, named=True)
    assert row["interval_days"] == pytest.approx(365, abs=1)


def test_reliability_without_findings_is_a_bound():
    """None of 4 spans of 300 days out: 90 % sure of R ≥ 0.1^(1/4) after 300 days."""
    found = intervals(*[[(10, 0.0), (310, 0.1)]] * 4, method="reliability")
    bound = 300 * np.log(0.9) / np.log(0.1 ** (1 / 4))
    assert found["interval_days"].to_list() == pytest.approx([bound] * 4)
    assert found["reason"][0].startswith("None of 4 found out: at least this")


def test_reliability_of_a_simulated_group():
    """Exponential time to out of tolerance, mean 4 years: 90 % after 0.421 years.

    Spans that began out of tolerance (and were not reset) say nothing and are left out.
    """
    rng = np.random.default_rng(52)
    histories = []
    for gap in rng.integers(100, 600, 400):
        out = rng.exponential(4 * 365.25) < gap
        after = [(700, 2.0)] if out else []
        histories.append([(10, 0.0), (10 + gap, 2.0 if out else 0.0), *after])
    row = intervals(*histories, method="reliability").row(0, named=True)
    assert row["interval_days"] == pytest.approx(4 * 365.25 * -np.log(0.9), rel=0.25)


def test_what_happens_later_is_not_known():
    sessions, table = fleet([(10, 0.1), (300, 0.2), (5000, 3.0)])
    resets = slope_chain(table, sessions)
    early = sessions.head(2)
    late = interval_table(sessions, resets, table, today=TODAY)
    assert late.equals(interval_table(early, resets, table, today=TODAY))


def test_no_sessions_at_all():
    sessions, table = fleet([], [])
    found = interval_table(sessions, slope_chain(table, sessions), table, today=TODAY)
    assert found["next_on"].to_list() == [TODAY] * 10
