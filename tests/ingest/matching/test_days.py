"""Days and times as workshops write them; what can be read in two ways is left open."""

import pytest

from ingest.matching.meaning import clock_text, read_days, seconds_of, written_day

MARCH_14 = (
    *("14.3.26", "14.03.2026", "2026-03-14", "2026-03-14 00:00:00", "20260314", "46095"),
    *("14. März 2026", "Mar 14, 2026", "14-Mar-26", "14 de marzo de 2026", "14 mars 2026"),
    *("Sa 14.3.2026", "14/3/2026", "2026/3/14"),
)


@pytest.mark.parametrize("text", MARCH_14)
def test_one_day_in_many_hands(text: str) -> None:
    assert read_days([text]).texts == ["2026-03-14"]


@pytest.mark.parametrize("text", ["31.2.26", "A12", "33.8", "", "14.3.1926"])
def test_no_day(text: str) -> None:
    assert written_day(text) is None


def test_one_day_that_tells_tells_for_all() -> None:
    assert read_days(["03/04/25"]).open
    assert read_days(["03/04/25", "14/04/25"]).texts == ["2025-04-03", "2025-04-14"]
    assert read_days(["03/04/25", "04/14/25"]).texts == ["2025-03-04", "2025-04-14"]
    assert read_days(["14/04/25", "04/14/25"]).open


def test_a_short_year_may_stand_first() -> None:
    assert read_days(["26-03-14", "26-04-02", "26-05-21"]).texts[0] == "2026-03-14"
    assert read_days(["25-03-26"]).open


def test_days_without_a_year_take_the_one_that_is_said() -> None:
    assert read_days(["14.3."]).lacks_year
    assert read_days(["14.3."], year=2026).texts == ["2026-03-14"]


def test_times() -> None:
    written = ["9:30", "9h30", "9.30 Uhr", "0.39583333", "9:30 am", "1899-12-31 09:30:00"]
    assert {clock_text(text) for text in written} == {"09:30"}
    assert clock_text("25:00") is None
    assert (seconds_of("1:00:05"), seconds_of("2:30"), seconds_of("x")) == (3605.0, 150.0, None)
