"""What the pictures of sessions, seasons, riders and money draw."""

from __future__ import annotations

from datetime import date, timedelta

import plotly.graph_objects as go
import pytest

from dashboard import figures
from dashboard.pages.season.load import load_words

MONDAY = date(2027, 3, 1)


def week(n, **more):
    """A week of four slots, nothing planned unless told."""
    return {
        "week": MONDAY + timedelta(weeks=n),
        "slots": 4,
        "used": 0,
        "held": 0,
        "closed": False,
    } | more


def point(day, error, half=0.3):
    return {
        "date": day,
        "gain_error_pct": error,
        "lo90_pct": error - half,
        "hi90_pct": error + half,
    }


def test_session_stands_on_one_line_with_its_readings_result_and_tolerance():
    reading = {"stage": "as_found", "torque_nm": 34.1, "expected_torque_nm": 33.8, "error_pct": 0.9}
    left = reading | {"stage": "as_left", "error_pct": 0.1}
    zero = reading | {"error_pct": None}
    drawn = go.Figure(
        figures.bench_session(
            {
                "readings": [reading, zero, left],
                "gain_error_pct": 0.9,
                "expanded_uncertainty_pct": 0.5,
                "as_left_gain_error_pct": 0.1,
                "as_left_expanded_uncertainty_pct": 0.4,
                "tolerance_pct": 1.5,
                "forecast90_pct": [-0.2, 0.8],
            }
        )
    )
    found = {trace.name: (trace.x, trace.y) for trace in drawn.data}
    assert found["readings as found"] == ((0.9,), (0,))
    assert found["readings as left"] == ((0.1,), (0,))
    assert found["found ± U (95 %)"] == ((0.9,), (1,))
    assert found["forecast, 90 %"][0] == (-0.2, 0.8)
    assert [(s.x0, s.x1) for s in drawn.layout.shapes] == [(-1.5, 1.5), (-1.5, -1.5), (1.5, 1.5)]


def test_load_of_the_bench_shows_held_planned_room_closed_weeks_and_races():
    weeks = [week(0, slots=1, used=1, held=3), week(1, used=4), week(2, slots=0, closed=True)]
    race = {"name": "Harbour Classic", "from_date": MONDAY, "priority": "A"}
    drawn = go.Figure(figures.bench_load(weeks, [race]))
    heights = {trace.name: list(trace.y) for trace in drawn.data}
    assert heights["held"] == [3, 0, 0]
    assert heights["planned"] == [1, 4, 0]
    assert heights["room for"] == [4, 4, 0]
    assert heights["races"][0] > 4
    assert len(drawn.layout.shapes) == 1
    assert load_words(weeks) == (
        "Load of the bench: visits in 2 of 3 weeks, 2 of them full, 1 closed. Most in the week of "
        "8\u00a0Mar\u00a02027: 4 for 4."
    )


@pytest.mark.parametrize(
    ("error", "trust"), [(0.9, "within"), (-1.3, "unsure"), (1.6, "beyond"), (-1.6, "beyond")]
)
def test_trust_in_a_meter_follows_its_interval(error, trust):
    assert figures.trust_at(point("2027-03-01", error), 1.5) == trust


def test_rider_rows_are_meters_and_each_stretch_is_drawn_once_by_its_trust():
    days = [(MONDAY + timedelta(days=30 * n)).isoformat() for n in range(3)]
    one = {
        "meter_id": "GP-07",
        "points": [point(days[0], 0.2), point(days[1], 1.4), point(days[2], 2)],
    }
    two = {"meter_id": "OL-14", "points": [point(days[1], 0.0)]}
    drawn = go.Figure(figures.trusted([one, two], 1.5))
    rows = {trace.name: [y for y in trace.y if y is not None] for trace in drawn.data}
    assert rows == {
        "within tolerance": [0, 0, 1, 1],
        "too close to the limit to call": [0, 0],
        "out of tolerance": [0, 0],
    }
    assert drawn.layout.yaxis.ticktext == ("GP-07 ", "OL-14 ")
    calm = {"meter_id": "FS-03", "points": [point(day, 0.1) for day in days]}
    [line] = [trace for trace in go.Figure(figures.trusted([calm], 1.5)).data if any(trace.x)]
    assert list(line.x) == [days[0], days[1], days[1], days[2], days[2], days[2], None]


def test_money_of_seasons_has_a_row_an_item_and_an_interval_for_what_is_to_come():
    rows = [
        {
            "what": "batteries",
            "before": [{"money": 80.0}, {"money": None}],
            "money": 90.0,
            "interval90": [60.0, 130.0],
        }
    ]
    drawn = go.Figure(figures.seasons(rows, ["2025", "2026", "2027"], "EUR"))
    assert [trace.name for trace in drawn.data] == ["2025", "2026", "2027"]
    assert [trace.x[0] for trace in drawn.data] == [80.0, None, 90.0]
    assert (drawn.data[2].error_x.arrayminus[0], drawn.data[2].error_x.array[0]) == (30.0, 40.0)
