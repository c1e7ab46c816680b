"""What the charts draw: contents, not pixels."""

from datetime import date, timedelta

import plotly.graph_objects as go
import pytest

from dashboard import theme
from dashboard.figures import control_chart as control_figure
from dashboard.figures import gain_error as figures
from tests.dashboard.fake import TODAY, FakeData

METER = "V005"


@pytest.fixture(scope="module")
def data():
    return FakeData()


@pytest.fixture(scope="module")
def history(data):
    return data.history(METER)


def drawn(history, due="2028-02-01"):
    return go.Figure(figures.drift(history, today=TODAY, due=due))  # checks every property


def named(figure, name):
    return [trace for trace in figure.data if trace.name == name]


def test_curve_passes_through_every_point_and_breaks_at_the_reset(history):
    (curve,) = named(drawn(history), "gain error")
    shown = [(x, y) for x, y in zip(curve.x, curve.y, strict=True) if x]
    assert shown == [(p["date"], p["gain_error_pct"]) for p in history["points"]]
    gap = list(curve.x).index(None)
    assert (curve.x[gap - 1], curve.x[gap + 1]) == ("2026-11-19", "2026-11-20")
    assert curve.connectgaps is False


def test_curve_breaks_where_the_jump_is_even_if_the_reset_still_shows_the_state_before(history):
    points = [dict(p) for p in history["points"]]
    at = [p["date"] for p in points].index("2026-11-20")
    points[at]["gain_error_pct"] = points[at - 1]["gain_error_pct"]
    before, after = figures.segments(points, ["2026-11-20"])
    assert before[-1]["date"] == "2026-11-20"
    assert after[0]["date"] > "2026-11-20"
    assert figures.segments(points, []) == [points]
    assert figures.segments(points, ["2020-01-01"]) == [points]
    assert figures.segments([], ["2026-11-20"]) == []


def test_band_is_the_90_percent_interval_in_one_piece_a_run(history):
    before, after = named(drawn(history), "90 % interval")
    assert before.x[0] == before.x[-1] == history["points"][0]["date"]
    assert max(before.x) == "2026-11-19"
    assert min(after.x) == "2026-11-20"
    first = history["points"][0]
    assert before.y[0] == first["hi90_pct"]
    assert before.y[-1] == first["lo90_pct"]
    assert (before.showlegend, after.showlegend) == (True, False)


def test_forecast_starts_at_today_and_ends_a_little_after_the_due_date(history):
    (ahead,) = named(drawn(history, due="2027-12-20"), "forecast")
    assert ahead.x[0] == TODAY.isoformat()
    assert ahead.y[0] == history["points"][-1]["gain_error_pct"]
    assert ahead.line.dash == "dash"
    assert "2027-12-20" < max(ahead.x) < "2028-02-20"


def test_forecast_without_a_due_date_is_shown_for_a_year(history):
    far = {**history["forecast"][-1], "date": (TODAY + timedelta(days=700)).isoformat()}
    longer = {**history, "forecast": [*history["forecast"], far]}
    assert far not in figures.forecast_shown(longer, today=TODAY, due=None)
    assert figures.forecast_shown(longer, today=TODAY, due=None) == history["forecast"]


def test_tolerance_lines_stand_at_both_limits(history):
    figure = drawn(history)
    lines = [s for s in figure.layout.shapes if s.type == "line" and s.yref == "y"]
    assert sorted(s.y0 for s in lines) == sorted(s.y1 for s in lines) == [-1.5, 1.5]
    assert any("tolerance" in a.text for a in figure.layout.annotations)


def test_used_observations_are_filled_and_unused_hollow(history):
    figure = drawn(history)
    used, hollow = named(figure, "ride comparison"), named(figure, "ride comparison, not used")
    assert used[0].marker.symbol == "diamond"
    assert hollow[0].marker.symbol == "diamond-open"
    assert len(hollow[0].x) == sum(not o["used"] for o in history["observations"]) == 1
    (bench,) = named(figure, "bench session")
    seen = [o for o in history["observations"] if o["kind"] == "bench"]
    assert list(bench.y) == [o["gain_error_pct"] for o in seen]
    assert bench.error_y.array[0] == pytest.approx(1.6449 * seen[0]["sd_pct"])


def test_mark_beyond_the_chart_stands_at_its_edge_and_says_its_value(history):
    wild = {**history["observations"][1], "gain_error_pct": 80.0, "used": False}
    figure = drawn({**history, "observations": [*history["observations"], wild]})
    low, high = figure.layout.yaxis.range
    assert high < 10
    (hollow,) = named(figure, "ride comparison, not used")
    assert low < hollow.y[-1] < high
    assert hollow.text[-1] == "↑ +80.0\u00a0%"
    assert hollow.error_y.array[-1] == 0.0
    assert "+80.00" in hollow.customdata[-1]


def test_everything_used_lies_inside_the_chart(data):
    for meter_id in ("A006", "V005", "S001"):
        history = data.history(meter_id)
        low, high = figures.y_range(history)
        assert all(low < p["gain_error_pct"] < high for p in history["points"])
        assert all(low < o["gain_error_pct"] < high for o in history["observations"] if o["used"])
        assert low < -1.5
        assert high > 1.5


def test_resets_and_battery_swaps_are_upright_lines(history):
    figure = drawn(history)
    upright = {s.x0: s.line.dash for s in figure.layout.shapes if s.x0 == s.x1 and s.x0}
    assert upright["2026-11-20"] == "solid"
    assert upright["2025-08-14"] == upright["2026-06-02"] == upright["2027-03-11"] == "dot"
    assert "2027-08-20" not in upright  # a firmware update does not shift the reading
    assert any(a.text == "slope 5.69 → 5.61" for a in figure.layout.annotations)
    (swaps,) = named(figure, "battery swap")
    assert list(swaps.x) == ["2025-08-14", "2026-06-02"]


def test_proposed_events_are_hollow_and_rejected_ones_are_not_drawn(history):
    figure = drawn(history)
    assert named(figure, "firmware update")[0].marker.symbol[0] == "triangle-up-open"
    rejected = [{**e, "state": "rejected"} for e in history["events"]]
    none = drawn({**history, "events": rejected})
    assert not [t for t in none.data if t.yaxis == "y2"]


def test_unrecorded_reset_shows_the_strip_in_which_it_happened(history):
    reset = {
        **history["resets"][0],
        "recorded": False,
        "earliest": "2026-09-01",
        "latest": "2026-11-20",
    }
    figure = drawn({**history, "resets": [reset]})
    strips = [(s.x0, s.x1) for s in figure.layout.shapes if s.type == "rect" and s.xref != "paper"]
    assert strips == [("2026-09-01", "2026-11-20")]
    assert any("unrecorded" in a.text for a in figure.layout.annotations)


def test_due_date_is_marked_only_when_it_lies_ahead(history):
    ahead, now = drawn(history, due="2027-12-20"), drawn(history, due=TODAY.isoformat())
    assert any(a.text.startswith("due") for a in ahead.layout.annotations)
    assert not any(a.text.startswith("due") for a in now.layout.annotations)
    assert any(a.text == "today" for a in now.layout.annotations)


def test_figure_uses_only_colours_that_the_browser_can_swap(history):
    known = set(theme.LIGHT.values())
    drift = figures.drift(history, today=TODAY, due="2028-02-01")
    for figure in (drift, control_figure.control(history)):
        for found in colours(figure):
            assert found in known, found


def colours(node):
    if isinstance(node, dict):
        for value in node.values():
            yield from colours(value)
    elif isinstance(node, (list, tuple)):
        for value in node:
            yield from colours(value)
    elif isinstance(node, str) and node.startswith(("#", "rgb")):
        yield node


def test_dates_given_as_objects_are_drawn_as_well(history):
    points = [{**p, "date": date.fromisoformat(p["date"])} for p in history["points"]]
    (curve,) = named(drawn({**history, "points": points}), "gain error")
    assert curve.x[0] == history["points"][0]["date"]


def test_meter_without_data_draws_an_empty_chart(data):
    figure = go.Figure(figures.drift(data.history("A012"), today=TODAY, due=None))
    assert figures.x_range(data.history("A012"), today=TODAY, due=None) is None
    assert [len(t.x) for t in named(figure, "gain error")] == [0]


def test_control_chart_rings_what_lies_beyond_its_limit(history):
    figure = go.Figure(control_figure.control(history))
    rows = history["control"]["individuals"]
    (single,) = [t for t in named(figure, "residual") if t.yaxis == "y"]
    assert list(single.y) == [row["value"] for row in rows]
    (rings,) = named(figure, "residual beyond its limit")
    assert list(rings.x) == [row["date"] for row in rows if row["signal"]]
    assert rings.marker.symbol == "circle-open"
    assert set(rings.text) == {"beyond"}


def test_control_limits_follow_the_rows_on_both_sides(history):
    figure = go.Figure(control_figure.control(history))
    upper, lower = [t for t in figure.data if t.name == "limit" and t.yaxis == "y2"]
    limits = [row["limit"] for row in history["control"]["ewma"]]
    assert list(upper.y) == limits
    assert list(lower.y) == [-limit for limit in limits]
    assert limits[0] < limits[-1]


def test_both_charts_of_a_meter_share_their_days(history):
    days = figures.x_range(history, today=TODAY, due="2027-12-20")
    drift = drawn(history, due="2027-12-20")
    control = go.Figure(control_figure.control(history, days=days))
    assert list(drift.layout.xaxis.range) == list(control.layout.xaxis.range) == days
