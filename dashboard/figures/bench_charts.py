"""The bench drawn: one session on a line of percent, and the weeks of a season."""

from collections.abc import Sequence

from dashboard import theme
from dashboard.figures.frame import C, axis, drawn, scatter, time_axis
from dashboard.navigation import Document, Fields

LEFT = "as_left"
RACE_MARKS = {"A": "star-triangle-up", "B": "triangle-up", "C": "triangle-up-open"}


def bench_session(session: Document) -> Fields:
    """Return a session on one line: its readings, what they come to, forecast and tolerance."""
    hung = [row for row in session.get("readings") or [] if row["error_pct"] is not None]
    found = [row for row in hung if row["stage"] != LEFT]
    left = [row for row in hung if row["stage"] == LEFT]
    limit = session.get("tolerance_pct")
    half = session["expanded_uncertainty_pct"] or 0.0
    traces = [
        _readings(found, "readings as found", "circle-open", "ink"),
        *([_readings(left, "readings as left", "square-open", "comparison")] if left else []),
        _result(session["gain_error_pct"], half, "found ± U (95 %)", "diamond", "accent"),
    ]
    if session.get("as_left_gain_error_pct") is not None:
        half_left = session.get("as_left_expanded_uncertainty_pct") or 0.0
        value = session["as_left_gain_error_pct"]
        traces.append(_result(value, half_left, "as left", "diamond-open", "comparison"))
    if session.get("forecast90_pct"):
        traces.append(_forecast(session["forecast90_pct"]))
    return drawn(
        traces,
        shapes=_tolerated(limit),
        margin={"l": 14, "r": 14, "t": 10, "b": 40},
        xaxis=axis("error, %", zeroline=True, range=_reach(traces, limit)),
        yaxis=axis("", range=[-0.7, 1.7], showticklabels=False, showgrid=False, zeroline=True),
        legend=drawn([])["layout"]["legend"] | {"y": -0.45},
    )


def _forecast(ends: Sequence[float]) -> Fields:
    return scatter(
        x=list(ends),
        y=[-0.42, -0.42],
        mode="lines",
        line={"color": C["event"], "width": 9},
        name="forecast, 90 %",
        hovertemplate=f"forecast, 90 %<br>{theme.span(ends)}<extra></extra>",
    )


def _reach(traces: Sequence[Document], limit: float | None) -> list[float]:
    """Return a range of percent with zero in its middle that the limits and all marks fit in."""
    far = [1.3 * (limit or 0.5)]
    for trace in traces:
        half = max(trace.get("error_x", {}).get("array", [0.0]))
        far += [1.1 * (abs(x) + half) for x in trace["x"]]
    return [-max(far), max(far)]


def _readings(rows: Sequence[Document], name: str, symbol: str, role: str) -> Fields:
    return scatter(
        x=[row["error_pct"] for row in rows],
        y=[0] * len(rows),
        mode="markers",
        marker={"symbol": symbol, "size": 11, "color": C[role], "line": {"width": 2}},
        name=name,
        customdata=[
            f"shown {theme.quantity(row['torque_nm'], 'N·m')}"
            f"<br>expected {theme.quantity(row['expected_torque_nm'], 'N·m')}"
            f"<br>error {theme.percent(row['error_pct'])}"
            for row in rows
        ],
        hovertemplate="%{customdata}<extra></extra>",
    )


def _result(value: float, half: float, name: str, symbol: str, role: str) -> Fields:
    return scatter(
        x=[value],
        y=[1],
        error_x={"array": [half], "color": C[role], "thickness": 3, "width": 0},
        mode="markers",
        marker={"symbol": symbol, "size": 14, "color": C[role]},
        name=name,
        hovertemplate=f"{name}<br>{theme.plus_minus(value, half, '%')}<extra></extra>",
    )


def _tolerated(limit: float | None) -> list[Fields]:
    if not limit:
        return []
    upright = {"yref": "paper", "y0": 0, "y1": 1, "layer": "below"}
    edge = {"type": "line", "line": {"color": C["out"], "width": 1.6, "dash": "dash"}}
    inside = {"type": "rect", "x0": -limit, "x1": limit, "fillcolor": C["ok_soft"]}
    return [
        inside | upright | {"line": {"width": 0}},
        *(edge | upright | {"x0": end, "x1": end} for end in (-limit, limit)),
    ]


def bench_load(weeks: Sequence[Document], races: Sequence[Document]) -> Fields:
    """Return a season's weeks: visits held and planned, the slots there are, races above.

    weeks: of the plan; races: calendar entries with a priority
    """
    days = [theme.iso(week["week"]) for week in weeks]
    held = [week.get("held") or 0 for week in weeks]
    room = [slots + done for slots, done in zip((w["slots"] for w in weeks), held, strict=True)]
    most = max([*room, *(w["used"] + done for w, done in zip(weeks, held, strict=True)), 1])
    traces = [
        _bars(weeks, days, held, "held", "rule_strong"),
        _bars(weeks, days, [week["used"] for week in weeks], "planned", "accent"),
        scatter(
            x=days,
            y=room,
            mode="lines",
            line={"shape": "hvh", "color": C["out"], "width": 2, "dash": "dash"},
            name="room for",
            hoverinfo="skip",
        ),
    ]
    if races:
        traces.append(_races(races, most + 0.8))
    return drawn(
        traces,
        barmode="stack",
        bargap=0.25,
        shapes=[_closed(week) for week in weeks if week["closed"]],
        yaxis=axis("bench visits a week", range=[0, most + 1.6], dtick=max(1, most // 5)),
        xaxis=time_axis(None),
    )


def _bars(
    weeks: Sequence[Document], days: Sequence[object], many: Sequence[int], name: str, role: str
) -> Fields:
    return {
        "type": "bar",
        "x": list(days),
        "y": list(many),
        "marker": {"color": C[role]},
        "name": name,
        "customdata": [
            f"week of {theme.day(week['week'])}<br>{n} {name}"
            for week, n in zip(weeks, many, strict=True)
        ],
        "hovertemplate": "%{customdata}<extra></extra>",
    }


def _races(races: Sequence[Document], height: float) -> Fields:
    return scatter(
        x=[theme.iso(race["from_date"]) for race in races],
        y=[height] * len(races),
        mode="markers",
        marker={
            "symbol": [RACE_MARKS.get(race["priority"], "triangle-up-open") for race in races],
            "size": [14 if race["priority"] == "A" else 10 for race in races],
            "color": C["event"],
        },
        name="races",
        customdata=[
            f"{race['name']}, {race['priority']} race<br>{theme.day(race['from_date'])}"
            for race in races
        ],
        hovertemplate="%{customdata}<extra></extra>",
    )


def _closed(week: Document) -> Fields:
    monday = theme.as_date(week["week"])
    assert monday is not None  # the plan names every week by its Monday
    ends = [theme.iso(monday.fromordinal(monday.toordinal() + n)) for n in (-3, 4)]
    about = {"x0": ends[0], "x1": ends[1], "yref": "paper", "y0": 0, "y1": 1}
    return {"type": "rect", "layer": "below", **about, "fillcolor": C["unknown_soft"]} | {
        "line": {"width": 0}
    }
