"""Settings and stated events as known changes of the gain error."""

from datetime import date

import polars as pl
import pytest

from ingest.schema import TABLES
from models.records import (
    known_changes,
    programmed,
    setting_error_ln,
    slope_chain,
    with_known_changes,
)

METERS = pl.DataFrame(
    {
        "meter_id": ["P", "S"],
        "kind": ["pedal_pair", "crank_spider"],
        "slope_convention": ["multiplier", "multiplier"],
        "factory_slope": [100.0, 5.0],
        "in_service_date": [date(2024, 1, 1)] * 2,
        "slope_step": [0.1, 0.01],
    }
)


def table(name: str, rows: list[dict]) -> pl.DataFrame:
    return TABLES[name].conform(pl.DataFrame(rows, infer_schema_length=None))


def installed(meter: str, start: date, crank: float | None, programmed_mm: float | None) -> dict:
    return {
        "meter_id": meter,
        "bike_id": "B",
        "from_date": start,
        "crank_length_mm": crank,
        "programmed_crank_length_mm": programmed_mm,
    }


NO_EVENTS = TABLES["events"].empty()


def test_172_5_programmed_on_170_reads_1_47_percent_high():
    """By hand: 172.5 / 170 − 1 = 0.014706."""
    assert 100 * (2.718281828 ** (setting_error_ln(172.5, 170.0) / 100) - 1) == pytest.approx(
        1.4706, abs=1e-4
    )


def test_a_move_to_another_crank_changes_the_setting_error_of_pedals_only():
    moves = table(
        "installations",
        [
            installed("P", date(2024, 1, 1), 172.5, 172.5),
            installed("P", date(2025, 6, 1), 170.0, None),  # the setting stays as it was
            installed("S", date(2024, 1, 1), 172.5, 172.5),
            installed("S", date(2025, 6, 1), 170.0, 172.5),
        ],
    )
    found = known_changes(METERS, moves, NO_EVENTS)
    assert found["meter_id"].to_list() == ["P"]
    row = found.row(0, named=True)
    assert (row["on"], row["kind"]) == (date(2025, 6, 1), "setting")
    assert row["after"] - row["before"] == pytest.approx(setting_error_ln(172.5, 170.0))


def test_wrong_from_the_first_day():
    moves = table("installations", [installed("P", date(2024, 1, 1), 170.0, 172.5)])
    row = known_changes(METERS, moves, NO_EVENTS).row(0, named=True)
    assert row["before"] == row["after"] == pytest.approx(setting_error_ln(172.5, 170.0))


def test_a_setting_change_of_stated_size_counts_once():
    events = table(
        "events",
        [
            {"meter_id": "P", "date": date(2025, 6, 1), "event": "setting_change", "size_pct": 1.4},
            {"meter_id": "S", "date": date(2025, 7, 1), "event": "service", "size_pct": -2.0},
            {
                "meter_id": "S",
                "date": date(2025, 8, 1),
                "event": "service",
                "size_pct": 9.0,
                "state": "proposed",
            },
        ],
    )
    moves = table(
        "installations",
        [
            installed("P", date(2024, 1, 1), 172.5, 172.5),
            installed("P", date(2025, 6, 1), 170.0, 172.5),
        ],
    )
    found = known_changes(METERS, moves, events)
    assert found["kind"].to_list() == ["setting", "event"]
    assert found["after"][1] == pytest.approx(-2.0203, abs=1e-4)  # 100·ln 0.98


def test_slope_and_setting_are_one_course():
    """A reset by +1 % beside a setting that reads 1.47 % high: p adds up, steps stay apart."""
    sessions = pl.DataFrame(
        {
            "session_id": ["a"],
            "meter_id": ["P"],
            "measured_at": [date(2025, 3, 1)],
            "slope_before": [100.0],
            "slope_after": [99.0],
        }
    ).with_columns(pl.col("measured_at").cast(pl.Datetime("us")).dt.replace_time_zone("UTC"))
    moves = table(
        "installations",
        [
            installed("P", date(2024, 1, 1), 172.5, 172.5),
            installed("P", date(2025, 6, 1), 170.0, 172.5),
        ],
    )
    resets = slope_chain(METERS, sessions)
    course = with_known_changes(resets, known_changes(METERS, moves, NO_EVENTS))
    assert course["recorded"].to_list() == [True, True]
    at = pl.Series([date(2025, 1, 1), date(2025, 4, 1), date(2025, 9, 1)]).cast(pl.Datetime("us"))
    asked = pl.DataFrame({"meter_id": ["P"] * 3, "at": at.dt.replace_time_zone("UTC")})
    p = programmed(course, asked)["p_after"].to_list()
    slope = resets["p_after"][0]
    assert p == pytest.approx([0.0, slope, slope - setting_error_ln(172.5, 170.0)])


def test_without_known_changes_the_course_is_the_slopes():
    resets = slope_chain(
        METERS,
        pl.DataFrame(
            schema={
                "session_id": pl.String,
                "meter_id": pl.String,
                "measured_at": pl.Datetime("us", "UTC"),
            }
        ),
    )
    none = known_changes(METERS, TABLES["installations"].empty(), NO_EVENTS)
    assert with_known_changes(resets, none) is resets


def test_a_new_side_dates_the_slope_that_came_with_it():
    """The right side meets the factory's slope after a service of it: dated, not unrecorded."""
    at = pl.Series([date(2025, 10, 8), date(2026, 2, 12)]).cast(pl.Datetime("us"))
    sessions = pl.DataFrame(
        {
            "session_id": ["a", "b"],
            "meter_id": ["P", "P"],
            "measured_at": at.dt.replace_time_zone("UTC"),
            "slope_before_left": [100.0, 100.0],
            "slope_before_right": [97.8, 100.0],
            "slope_after_right": [97.8, None],
        }
    )
    service = {"meter_id": "P", "date": date(2025, 11, 3), "event": "service", "side": "right"}
    before = slope_chain(METERS, sessions).row(-1, named=True)
    dated = slope_chain(METERS, sessions, events=table("events", [service])).row(-1, named=True)
    assert not before["recorded"]
    assert dated["recorded"]
    assert dated["at"].date() == date(2025, 11, 3)
    assert dated["p_after"] == before["p_after"]
    other = table("events", [service | {"side": "left"}])
    assert slope_chain(METERS, sessions, events=other).row(-1, named=True)["recorded"] is False
