"""A meter's gain error over time, with its interval and its forecast."""

from collections.abc import Sequence
from datetime import date, timedelta

from dashboard import theme
from dashboard.figures import backdrop
from dashboard.figures.frame import C, axis, drawn, scatter, time_axis
from dashboard.figures.marks import event_traces, observation_traces
from dashboard.navigation import Document, Fields

AHEAD_WITHOUT_DUE_DAYS = 365
AHEAD_WHEN_DUE_DAYS = 90


def drift(history: Document, *, today: object, due: object = None) -> Fields:
    """Return the gain error over time: interval, observations, resets, events, forecast.

    history: the data contract's document, with `tolerance_pct` and `forecast`
    """
    points, ahead = history["points"], forecast_shown(history, today=today, due=due)
    traces: list[Fields] = []
    low, high = y_range(history)
    breaks = sorted(day for day in map(theme.iso, (r["date"] for r in history["resets"])) if day)
    runs = segments(points, breaks)
    traces += [_band(run, C["band"], "90 % interval", first=n == 0) for n, run in enumerate(runs)]
    if ahead:
        joined = [*points[-1:], *ahead]
        traces.append(_band(joined, C["band_ahead"], "forecast, 90 %", first=True))
        traces.append(_line(joined, "forecast", dash="dash"))
    traces.append(_line(_gapped(runs), "gain error"))
    traces += observation_traces(history["observations"], low, high)
    traces += event_traces(history["events"])
    tolerance = history.get("tolerance_pct")
    return drawn(
        traces,
        shapes=[
            *backdrop.tolerance_shapes(tolerance),
            *backdrop.event_rules(history["events"]),
            *backdrop.reset_shapes(history["resets"]),
            *backdrop.day_rules(today, due),
        ],
        annotations=[
            *backdrop.tolerance_words(tolerance, points),
            *backdrop.day_words(today, due),
            *backdrop.reset_words(history),
        ],
        yaxis=axis("gain error, %", domain=[backdrop.LANE[1] + 0.03, 1.0], range=[low, high]),
        yaxis2=axis(
            "", domain=list(backdrop.LANE), range=[-1, 1], showticklabels=False, showgrid=False
        ),
        xaxis=time_axis(x_range(history, today=today, due=due), anchor="y2"),
    )


def segments(points: Sequence[Document], breaks: Sequence[str]) -> list[list[Document]]:
    """Return the curve cut at each reset, so that the step stays a step.

    The point at a reset may be the state before or after it: the cut is where the jump is.
    """
    cuts = {_cut(points, at) for at in breaks}
    runs: list[list[Document]] = [[]]
    for place, point in enumerate(points):
        if place in cuts and runs[-1]:
            runs.append([])
        runs[-1].append(point)
    return [run for run in runs if run]


def _cut(points: Sequence[Document], at: str) -> int:
    first = sum((theme.iso(point["date"]) or "") < at for point in points)
    if not 0 < first < len(points) - 1:
        return first
    before, on, after = (p["gain_error_pct"] for p in points[first - 1 : first + 2])
    return first if abs(on - before) >= abs(after - on) else first + 1


def _gapped(runs: Sequence[Sequence[Document]]) -> list[Document]:
    gap: Fields = {"date": None, "gain_error_pct": None, "lo90_pct": None, "hi90_pct": None}
    joined: list[Document] = []
    for run in runs:
        joined += [gap, *run] if joined else run
    return joined


def forecast_shown(history: Document, *, today: object, due: object) -> list[Fields]:
    """Return the forecast's points as far as they are shown: a little past the due date."""
    end = _end(today, due)
    points: list[Fields] = history.get("forecast") or []
    return [p for p in points if end is None or (theme.iso(p["date"]) or "") <= end]


def _end(today: object, due: object) -> str | None:
    now, then = theme.as_date(today), theme.as_date(due)
    if now is None:
        return None
    if then is None:
        return (now + timedelta(days=AHEAD_WITHOUT_DUE_DAYS)).isoformat()
    margin = max(30, (then - now).days // 6)
    return max(then + timedelta(days=margin), now + timedelta(days=AHEAD_WHEN_DUE_DAYS)).isoformat()


def x_range(history: Document, *, today: object, due: object) -> list[str] | None:
    """Return first and last day of a meter's charts, so that they can be read together."""
    rows = [*history["points"], *history["observations"], *history["resets"]]
    days = sorted(day for day in (theme.iso(row["date"]) for row in rows) if day)
    if not days:
        return None
    first, last = date.fromisoformat(days[0]), date.fromisoformat(_end(today, due) or days[-1])
    margin = timedelta(days=max(7, (last - first).days // 50))
    return [(first - margin).isoformat(), (last + margin).isoformat()]


def y_range(history: Document) -> tuple[float, float]:
    """Return lowest and highest percent of the chart: limits and used values fit in it.

    A wide interval before the first session, or a wild observation that was not used, does not
    flatten the rest.
    """
    tolerance = history.get("tolerance_pct") or 1.0
    values = [p["gain_error_pct"] for p in history["points"]]
    for seen in history["observations"]:
        if seen["used"]:
            half = theme.half90(seen["sd_pct"]) or 0.0
            reach = min(half, tolerance) if seen["kind"] == "bench" else 0.0
            values += [seen["gain_error_pct"] - reach, seen["gain_error_pct"] + reach]
    values += _middle([p["lo90_pct"] for p in history["points"]], 0.1)
    values += _middle([p["hi90_pct"] for p in history["points"]], 0.9)
    return with_margin(tolerance, values)


def with_margin(tolerance: float, values: Sequence[float]) -> tuple[float, float]:
    """Return a range that the limits and the values fit in, with room at both ends."""
    low, high = min([-1.35 * tolerance, *values]), max([1.35 * tolerance, *values])
    margin = 0.06 * (high - low)
    return low - margin, high + margin


def _middle(values: Sequence[float], part: float) -> list[float]:
    ordered = sorted(values)
    return [ordered[round(part * (len(ordered) - 1))]] if ordered else []


def _band(points: Sequence[Document], colour: str, name: str, *, first: bool) -> Fields:
    days = [theme.iso(p["date"]) for p in points]
    return scatter(
        x=days + days[::-1],
        y=[p["hi90_pct"] for p in points] + [p["lo90_pct"] for p in points][::-1],
        fill="toself",
        fillcolor=colour,
        line={"width": 0},
        mode="lines",
        hoverinfo="skip",
        name=name,
        legendgroup=name,
        showlegend=first,
    )


def _line(points: Sequence[Document], name: str, dash: str = "solid") -> Fields:
    return scatter(
        x=[theme.iso(p["date"]) for p in points],
        y=[p["gain_error_pct"] for p in points],
        mode="lines",
        line={"color": C["accent"], "width": 2.4, "dash": dash},
        name=name,
        customdata=[_point_words(p) for p in points],
        hovertemplate="%{customdata}<extra></extra>",
        connectgaps=False,
    )


def _point_words(point: Document) -> str:
    interval = [point["lo90_pct"], point["hi90_pct"]]
    return (
        f"{theme.day(point['date'])}<br>gain error {theme.percent(point['gain_error_pct'])}"
        f"<br>90 %: {theme.span(interval)}"
    )
