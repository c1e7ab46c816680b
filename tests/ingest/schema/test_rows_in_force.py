"""What holds on a day: both ends included, and a handover's day belongs to who takes over."""

from datetime import date

import polars as pl
import pytest

from ingest.schema import TABLES, confirmed, in_force, newest_in_force, rider_on

HANDOVER = date(2026, 2, 20)
ASSIGNMENTS = TABLES["assignments"].conform(
    pl.DataFrame(
        {
            "meter_id": ["K01", "K01", "K02", "K03", "K03"],
            "from_date": [date(2026, 1, 10), HANDOVER, date(2026, 2, 1), HANDOVER, HANDOVER],
            "to_date": [HANDOVER, None, date(2026, 2, 19), None, None],
            "rider_id": ["R1", "R2", "R2", "R1", "R2"],
        }
    )
)


@pytest.mark.parametrize(
    ("day", "rider"),
    [
        (date(2026, 1, 9), None),
        (date(2026, 1, 10), "R1"),
        (date(2026, 2, 19), "R1"),
        (HANDOVER, "R2"),
        (date(2026, 2, 21), "R2"),
    ],
)
def test_on_a_handovers_day_the_new_rider_rides(day: date, rider: str | None) -> None:
    """The order of the rows says nothing; the day on which they begin does."""
    assert rider_on(ASSIGNMENTS, "K01", day) == rider
    assert rider_on(ASSIGNMENTS.reverse(), "K01", day) == rider


def test_a_meter_handed_over_to_nobody_has_no_rider() -> None:
    spare = {"meter_id": "K02", "from_date": date(2026, 2, 19), "rider_id": None}
    rows = pl.concat([ASSIGNMENTS, TABLES["assignments"].conform(pl.DataFrame([spare]))])
    assert rider_on(rows, "K02", date(2026, 2, 18)) == "R2"
    assert rider_on(rows, "K02", date(2026, 2, 19)) is None


def test_two_who_begin_on_one_day_leave_it_open() -> None:
    assert rider_on(ASSIGNMENTS, "K03", HANDOVER) is None


def test_one_row_a_meter_holds_on_a_day() -> None:
    rows = newest_in_force(ASSIGNMENTS.filter(pl.col("meter_id") != "K03"), HANDOVER)
    assert rows.select("meter_id", "rider_id").rows() == [("K01", "R2")]


def test_a_row_holds_in_a_period_that_touches_its_first_or_its_last_day() -> None:
    def held(first: date, last: date) -> list[str]:
        rows = ASSIGNMENTS.filter(pl.col("meter_id") == "K02", in_force(first, last))
        return rows["meter_id"].to_list()

    assert held(date(2026, 1, 1), date(2026, 1, 31)) == []
    assert held(date(2026, 1, 1), date(2026, 2, 1)) == ["K02"]
    assert held(date(2026, 2, 19), date(2026, 3, 1)) == ["K02"]
    assert held(HANDOVER, date(2026, 3, 1)) == []


def test_an_event_counts_unless_it_was_only_proposed_or_was_rejected() -> None:
    states = [None, "confirmed", "proposed", "rejected"]
    rows = pl.DataFrame({"state": states}).filter(confirmed())
    assert rows["state"].to_list() == [None, "confirmed"]
