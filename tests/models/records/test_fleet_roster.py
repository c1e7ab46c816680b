"""Who is in the fleet on a day."""

from __future__ import annotations

from datetime import UTC, date, datetime

import polars as pl

from ingest.schema import TABLES
from models.records import roster, up_to, with_riders


def tables(**rows: list[dict[str, object]]) -> dict[str, pl.DataFrame]:
    return {
        name: table.conform(pl.DataFrame(rows.get(name, []), infer_schema_length=None))
        for name, table in TABLES.items()
    }


def meter(name: str, **more: object) -> dict[str, object]:
    start = {"meter_id": name, "kind": "hub", "in_service_date": date(2025, 1, 1)}
    return start | {"slope_convention": "fixed"} | more


def gone(all_tables: dict[str, pl.DataFrame], day: date) -> list[str]:
    found = roster(all_tables, as_of=day, tolerance_pct=1.5)
    return found.filter("gone")["meter_id"].to_list()


def test_a_sold_meter_is_there_until_the_day_it_was_sold() -> None:
    sold = {"meter_id": "A", "date": date(2026, 3, 1), "event": "sold"}
    fleet = tables(meters=[meter("A", state="sold"), meter("B", state="lost")], events=[sold])
    assert gone(fleet, date(2026, 2, 28)) == ["B"]
    assert gone(fleet, date(2026, 3, 1)) == ["A", "B"]


def test_a_retired_meter_leaves_on_its_last_day() -> None:
    fleet = tables(meters=[meter("A", retired_date=date(2026, 3, 1))])
    assert gone(fleet, date(2026, 2, 28)) == []
    assert gone(fleet, date(2026, 3, 1)) == ["A"]


def test_a_meter_is_not_there_before_its_service_and_unlisted_ones_are_kept() -> None:
    reading = {
        "session_id": "S1", "meter_id": "GHOST", "measured_at": datetime(2026, 2, 1, tzinfo=UTC),
        "load": "zero", "torque_nm": 0.0, "mass_kg": 0.0, "crank_length_mm": 172.5,
    }  # fmt: skip
    fleet = tables(
        meters=[meter("A"), meter("NEW", in_service_date=date(2026, 9, 1))], bench=[reading]
    )
    found = roster(fleet, as_of=date(2026, 3, 1), tolerance_pct=2.0)
    assert found["meter_id"].to_list() == ["A", "GHOST"]
    assert found["listed"].to_list() == [True, False]
    assert found["tolerance_pct"].to_list() == [2.0, 2.0]


def test_tables_of_a_day_hold_nothing_later_in_the_stores_own_time_zone() -> None:
    rows = [
        {"session_id": s, "meter_id": "A", "measured_at": at, "load": "zero", "torque_nm": 0.0}
        for s, at in (
            ("before", datetime(2026, 3, 1, 22, tzinfo=UTC)),
            ("after", datetime(2026, 3, 1, 23, 30, tzinfo=UTC)),
        )
    ]
    cut = up_to(tables(bench=rows), as_of=date(2026, 3, 1), time_zone="Europe/Madrid")
    assert cut["bench"]["session_id"].to_list() == ["before"]


def test_the_newer_assignment_counts_on_the_day_of_a_handover() -> None:
    rows = [
        {
            "meter_id": "A",
            "from_date": date(2026, 1, 1),
            "to_date": date(2026, 3, 1),
            "rider_id": "R1",
        },
        {"meter_id": "A", "from_date": date(2026, 3, 1), "to_date": None, "rider_id": "R2"},
    ]
    fleet = tables(meters=[meter("A")], assignments=rows)
    found = roster(fleet, as_of=date(2026, 3, 1), tolerance_pct=1.5)
    assert (
        with_riders(found, fleet["assignments"], as_of=date(2026, 3, 1))["rider_id"].item() == "R2"
    )
