"""The marks on a meter's curve: what was measured, and what happened to the meter."""

from collections.abc import Iterable, Sequence

from dashboard import theme
from dashboard.figures.frame import C, scatter
from dashboard.navigation import Document, Fields

EVENT_SYMBOLS = {
    "battery_swap": "square",
    "crash": "x",
    "firmware_update": "triangle-up",
    "service": "cross",
    "factory_service": "cross",
}
OBSERVATION_STYLES = (
    # kind, used, name, symbol, size, colour
    ("comparison", True, "ride comparison", "diamond", 7, "comparison"),
    ("comparison", False, "ride comparison, not used", "diamond-open", 8, "comparison"),
    ("bench", True, "bench session", "circle", 11, "ink"),
    ("bench", False, "bench session, not used", "circle-open", 11, "ink"),
)


def observation_traces(
    observations: Sequence[Document], low: float, high: float
) -> Iterable[Fields]:
    """Yield the marks of sessions and comparisons, used ones filled, the others hollow."""
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
    """Return the value of a mark that stands at the chart's edge because it lies beyond it."""
    if low <= value <= high:
        return ""
    return f"{'↑' if value > high else '↓'} {theme.percent(value, 1)}"


def _seen_words(seen: Document, name: str) -> str:
    value = theme.plus_minus(seen["gain_error_pct"], theme.half90(seen["sd_pct"]), "%")
    return f"{name} {seen['id']}<br>{theme.day(seen['date'])}<br>{value} (90 %)"


def event_traces(events: Sequence[Document]) -> Iterable[Fields]:
    """Yield the marks of the events, one trace a kind, in their lane below the curve."""
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
