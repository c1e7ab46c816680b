"""Documents in, figures out; every colour a role of the light theme, which the browser swaps."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from typing import Any

from dashboard import theme
from dashboard.figures import backdrop
from dashboard.navigation import Document

C = theme.LIGHT
LETTERS = '"Segoe UI", Roboto, "Helvetica Neue", "Liberation Sans", Arial, sans-serif'
EVENT_SYMBOLS = {
    "battery_swap": "square",
    "crash": "x",
    "firmware_update": "triangle-up",
    "service": "cross",
    "factory_service": "cross",
}
AHEAD_WITHOUT_DUE_DAYS = 365
AHEAD_WHEN_DUE_DAYS = 90


# ---- gain error over time ------------------------------------------------------------------


def drift(history: Document, *, today: object, due: object = None) -> Document:
    """Gain error over time: interval, observations, resets, events, forecast to the due date.

    history: the data contract's document, with `tolerance_pct` and `forecast`
    """
    points, ahead = history["points"], forecast_shown(history, today=today, due=due)
    traces: list[Document] = []
    low, high = y_range(history)
    breaks = sorted(day for day in map(theme.iso, (r["date"] for r in history["resets"])) if day)
    for number, run in enumerate(segments(points, breaks)):
        traces.append(_band(run, C["band"], "90 % interval", first=number == 0))
    if ahead:
        joined = [*points[-1:], *ahead]
        traces.append(_band(joined, C["band_ahead"], "forecast, 90 %", first=True))
        traces.append(_line(joined, "forecast", dash="dash"))
    traces.append(_line(_gapped(segments(points, breaks)), "gain error"))
    traces += [*_observations(history["observations"], low, high), *_events(history["events"])]
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
    """The curve cut at each reset, so that the step stays a step.

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
    gap: Document = {"date": None, "gain_error_pct": None, "lo90_pct": None, "hi90_pct": None}
    joined: list[Document] = []
    for run in runs:
        joined += [gap, *run] if joined else run
    return joined


def forecast_shown(history: Document, *, today: object, due: object) -> list[Document]:
    """The forecast's points as far as the chart shows them: a little past the due date."""
    end = _end(today, due)
    points: list[Document] = history.get("forecast") or []
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
    """First and last day of the charts of one meter, so that they can be read together."""
    rows = [*history["points"], *history["observations"], *history["resets"]]
    days = sorted(day for day in (theme.iso(row["date"]) for row in rows) if day)
    if not days:
        return None
    first, last = date.fromisoformat(days[0]), date.fromisoformat(_end(today, due) or days[-1])
    margin = timedelta(days=max(7, (last - first).days // 50))
    return [(first - margin).isoformat(), (last + margin).isoformat()]


def y_range(history: Document) -> tuple[float, float]:
    """Lowest and highest percent of the chart: the limits and all that was used fit in it.

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
    low, high = min([-1.35 * tolerance, *values]), max([1.35 * tolerance, *values])
    margin = 0.06 * (high - low)
    return low - margin, high + margin


def _middle(values: Sequence[float], part: float) -> list[float]:
    ordered = sorted(values)
    return [ordered[round(part * (len(ordered) - 1))]] if ordered else []


def _band(points: Sequence[Document], colour: str, name: str, *, first: bool) -> Document:
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


def _line(points: Sequence[Document], name: str, dash: str = "solid") -> Document:
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


OBSERVATION_STYLES = (
    # kind, used, name, symbol, size, colour
    ("comparison", True, "ride comparison", "diamond", 7, "comparison"),
    ("comparison", False, "ride comparison, not used", "diamond-open", 8, "comparison"),
    ("bench", True, "bench session", "circle", 11, "ink"),
    ("bench", False, "bench session, not used", "circle-open", 11, "ink"),
)


def _observations(observations: Sequence[Document], low: float, high: float) -> Iterable[Document]:
    for kind, used, name, symbol, size, role in OBSERVATION_STYLES:
        rows = [o for o in observations if o["kind"] == kind and bool(o["used"]) is used]
        if not rows:
            continue
        yield scatter(
            x=[theme.iso(o["date"]) for o in rows],
            y=[_inside(o["gain_error_pct"], low, high) for o in rows],
            error_y={
                "array": [_bar_half(o, low, high) for o in rows],
                "color": C[role],
                "thickness": 1.6 if kind == "bench" else 0.6,
                "width": 4 if kind == "bench" else 0,
            },
            mode="markers+text",
            text=[_off_chart(o["gain_error_pct"], low, high) for o in rows],
            textposition=["bottom right" if o["gain_error_pct"] > 0 else "top right" for o in rows],
            textfont={"size": 12, "color": C[role]},
            marker={"symbol": symbol, "size": size, "color": C[role], "line": {"width": 1.6}},
            name=name,
            customdata=[_seen_words(o, name) for o in rows],
            hovertemplate="%{customdata}<extra></extra>",
        )


def _inside(value: float, low: float, high: float) -> float:
    margin = 0.03 * (high - low)
    return min(high - margin, max(low + margin, value))


def _bar_half(seen: Document, low: float, high: float) -> float:
    inside = low <= seen["gain_error_pct"] <= high
    return (theme.half90(seen["sd_pct"]) or 0.0) if inside else 0.0


def _off_chart(value: float, low: float, high: float) -> str:
    """The value of a mark that stands at the chart's edge because it lies beyond it."""
    if low <= value <= high:
        return ""
    return f"{'↑' if value > high else '↓'} {theme.percent(value, 1)}"


def _seen_words(seen: Document, name: str) -> str:
    value = theme.plus_minus(seen["gain_error_pct"], theme.half90(seen["sd_pct"]), "%")
    return f"{name} {seen['id']}<br>{theme.day(seen['date'])}<br>{value} (90 %)"


def _events(events: Sequence[Document]) -> Iterable[Document]:
    shown = [e for e in events if e.get("state") != "rejected"]
    for kind in sorted({e["event"] for e in shown}):
        rows = [e for e in shown if e["event"] == kind]
        symbol = EVENT_SYMBOLS.get(kind, "circle")
        yield scatter(
            x=[theme.iso(e["date"]) for e in rows],
            y=[0] * len(rows),
            yaxis="y2",
            mode="markers",
            marker={
                "symbol": [
                    f"{symbol}-open" if e.get("state") == "proposed" else symbol for e in rows
                ],
                "size": 11,
                "color": C["event"],
                "line": {"width": 1.6},
            },
            name=theme.words(kind),
            customdata=[_event_words(e) for e in rows],
            hovertemplate="%{customdata}<extra></extra>",
        )


def _event_words(event: Document) -> str:
    said = [theme.words(event["event"]), theme.day(event["date"])]
    said += [str(event[key]) for key in ("side", "note") if event.get(key)]
    if event.get("state") == "proposed":
        said.append("proposed, not confirmed")
    return "<br>".join(said)


# ---- what every figure has ------------------------------------------------------------------


def drawn(traces: Sequence[Document], **layout: Any) -> Document:
    """A figure as the browser takes it, in the frame that all have.

    Plain documents: the library's own objects check every property, which took most of the time
    of drawing a page. The tests have them checked.
    """
    return {"data": list(traces), "layout": frame() | layout}


def scatter(**properties: Any) -> Document:
    """One trace of marks or lines."""
    return {"type": "scatter", **properties}


def frame() -> Document:
    """What every figure looks like."""
    return {
        "paper_bgcolor": C["surface"],
        "plot_bgcolor": C["surface"],
        "font": {"family": LETTERS, "size": 13, "color": C["ink"]},
        "margin": {"l": 58, "r": 18, "t": 14, "b": 34},
        "legend": {
            "orientation": "h",
            "y": -0.1,
            "yanchor": "top",
            "x": 0,
            "font": {"size": 12.5, "color": C["ink"]},
        },
        "hoverlabel": {
            "bgcolor": C["surface"],
            "bordercolor": C["rule_strong"],
            "font": {"color": C["ink"], "family": LETTERS},
        },
        "hovermode": "closest",
    }


def axis(title: str, **options: Any) -> Document:
    return {
        "title": {"text": title, "font": {"size": 13, "color": C["muted"]}, "standoff": 6},
        "gridcolor": C["rule"],
        "zerolinecolor": C["rule_strong"],
        "zerolinewidth": 1,
        "tickfont": {"color": C["muted"]},
        "fixedrange": True,
        **options,
    }


def time_axis(days: list[str] | None, **options: Any) -> Document:
    shown = axis("", type="date", showgrid=False, zeroline=False, **options)
    shown["fixedrange"] = False
    return shown | {"range": days} if days else shown
