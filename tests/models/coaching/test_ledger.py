"""The ledger: no day twice, none missing, a new row wherever the factor may change."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.coaching import Span, cut, ridden, rows

ASSIGNMENTS = pl.DataFrame(
    {
        "meter_id": ["K01", "K01", "K02"],
        "from_date": [date(2026, 1, 10), date(2026, 2, 20), date(2026, 2, 1)],
        "to_date": [date(2026, 2, 20), None, date(2026, 2, 19)],
        "rider_id": ["R1", "R2", "R2"],
    }
)
NO_RESETS = pl.DataFrame(schema={"meter_id": pl.String, "at": pl.Datetime("us", "UTC")})


def days(spans: list[Span]) -> list[date]:
    return [s.first + timedelta(n) for s in spans for n in range((s.last - s.first).days + 1)]


def test_a_meters_period_is_covered_once_handover_day_to_the_new_rider() -> None:
    spans = ridden(
        ASSIGNMENTS, first=date(2026, 1, 1), last=date(2026, 3, 31), meter_id="K01", rider_id=None
    )
    assert sorted(days(spans)) == [date(2026, 1, 1) + timedelta(n) for n in range(90)]
    assert [(s.rider_id, s.first, s.last) for s in spans] == [
        (None, date(2026, 1, 1), date(2026, 1, 9)),
        ("R1", date(2026, 1, 10), date(2026, 2, 19)),
        ("R2", date(2026, 2, 20), date(2026, 3, 31)),
    ]


def test_a_rider_on_two_meters_has_both() -> None:
    spans = ridden(
        ASSIGNMENTS, first=date(2026, 2, 1), last=date(2026, 2, 28), meter_id=None, rider_id="R2"
    )
    assert {s.meter_id for s in spans} == {"K01", "K02"}
    assert len(days(spans)) == 28


def test_new_rows_at_months_and_resets() -> None:
    resets = pl.DataFrame(
        {"meter_id": ["K01", "K09"], "at": [datetime(2026, 2, 10, 9, tzinfo=UTC)] * 2}
    )
    pieces = cut([Span("K01", "R1", date(2026, 1, 20), date(2026, 3, 5))], resets)
    assert [(p.first, p.last) for p in pieces] == [
        (date(2026, 1, 20), date(2026, 1, 31)),
        (date(2026, 2, 1), date(2026, 2, 9)),
        (date(2026, 2, 10), date(2026, 2, 28)),
        (date(2026, 3, 1), date(2026, 3, 5)),
    ]
    assert [p.reset_on_first for p in pieces] == [False, False, True, False]


def test_rows_begin_and_end_with_the_days_a_step_may_have_happened_on() -> None:
    steps = pl.DataFrame(
        {"meter_id": ["K01"], "earliest": [date(2026, 2, 10)], "latest": [date(2026, 3, 20)]}
    )
    span = Span("K01", "R1", date(2026, 2, 1), date(2026, 3, 31))
    other = Span("K02", "R1", date(2026, 2, 1), date(2026, 2, 28))
    pieces = cut([span, other], NO_RESETS, steps)
    assert [(p.meter_id, p.first, p.last, p.step_between is not None) for p in pieces] == [
        ("K01", date(2026, 2, 1), date(2026, 2, 10), False),
        ("K01", date(2026, 2, 11), date(2026, 2, 28), True),
        ("K01", date(2026, 3, 1), date(2026, 3, 20), True),
        ("K01", date(2026, 3, 21), date(2026, 3, 31), False),
        ("K02", date(2026, 2, 1), date(2026, 2, 28), False),
    ]
    ledger = rows(pieces, (np.zeros(15), np.eye(15)))
    notes = [row["note"] for row in ledger]
    assert notes[0] is None
    assert "between 2026-02-10 and 2026-03-20 that nobody knows" in str(notes[1])


def test_no_resets_no_assignments() -> None:
    spans = ridden(
        ASSIGNMENTS.clear(), first=date(2026, 3, 1), last=date(2026, 3, 9), meter_id="Q",
        rider_id=None,
    )  # fmt: skip
    assert [(s.rider_id, s.first, s.last) for s in cut(spans, NO_RESETS)] == [
        (None, date(2026, 3, 1), date(2026, 3, 9))
    ]


def test_factor_of_a_meter_two_percent_high() -> None:
    """By hand: shown watts of a meter 2 % high are worth 1/1.02 of themselves."""
    span = Span("K01", None, date(2026, 3, 1), date(2026, 3, 9))
    error = np.full(3, 100 * np.log(1.02))
    row = rows([span], (error, np.full((3, 3), 0.25)))[0]
    assert row["factor"] == pytest.approx(1 / 1.02)
    low, high = row["interval90"]
    assert np.log(high / low) == pytest.approx(2 * 1.6449 * 0.005, rel=1e-3)


def test_the_riders_factor_takes_legs_and_their_day_out_too() -> None:
    """By hand: legs that add 3 %, and a balance of 0.5 % that each day draws anew."""
    span = Span("L1", "R1", date(2026, 3, 1), date(2026, 3, 9))
    sensor = np.zeros(3), np.full((3, 3), 0.25)
    rider = np.full(3, 100 * np.log(1.03)), np.full((3, 3), 0.25) + 0.25 * np.eye(3)
    [row] = rows([span], sensor, rider)
    assert (row["factor"], row["rider_factor"]) == (1.0, pytest.approx(1 / 1.03))
    low, high = row["rider_interval90"]
    assert np.log(high / low) == pytest.approx(2 * 1.6449 * np.sqrt(0.5) / 100, rel=1e-3)
