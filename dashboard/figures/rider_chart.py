"""A rider's meters over time: each one's gain error while it was ridden, with its interval."""

from collections.abc import Iterable, Sequence
from itertools import cycle

from dashboard import theme
from dashboard.figures import backdrop
from dashboard.figures.frame import C, axis, drawn, scatter, time_axis, words_in
from dashboard.figures.gain_error import with_margin
from dashboard.navigation import Document, Fields

# Meters differ by line and by name at the line's end, not by colour alone.
LOOKS = (("accent", "solid"), ("comparison", "dash"), ("event", "dot"), ("muted", "dashdot"))


def ridden(periods: Sequence[Document], tolerance: float | None) -> Fields:
    """Return the gain error of every meter of a rider over the periods it was ridden in."""
    traces: list[Fields] = []
    looks = dict(zip((period["meter_id"] for period in periods), cycle(LOOKS), strict=False))
    named: set[str] = set()
    for period in periods:
        role, dash = looks[period["meter_id"]]
        traces += _period(period, role, dash, first=period["meter_id"] not in named)
        named.add(period["meter_id"])
    return drawn(
        traces,
        shapes=[
            *backdrop.tolerance_shapes(tolerance),
            *(s for p in periods for s in backdrop.reset_shapes(p["resets"])),
        ],
        annotations=[
            *backdrop.tolerance_words(tolerance, [], first=True),
            *(_name(period, looks[period["meter_id"]][0]) for period in periods),
        ],
        yaxis=axis("gain error, %", range=list(_range(periods, tolerance or 1.0))),
        xaxis=time_axis(None),
    )


def _period(period: Document, role: str, dash: str, *, first: bool) -> Iterable[Fields]:
    points = period["points"]
    days = [theme.iso(p["date"]) for p in points]
    meter = period["meter_id"]
    for key in ("lo90_pct", "hi90_pct"):
        yield scatter(
            x=days,
            y=[p[key] for p in points],
            mode="lines",
            line={"color": C[role], "width": 0.8, "dash": dash},
            fill="tonexty" if key == "hi90_pct" else None,
            fillcolor=C["band"] if role == "accent" else C["band_ahead"],
            legendgroup=meter,
            showlegend=False,
            hoverinfo="skip",
            name=f"{meter}, 90 %",
        )
    yield scatter(
        x=days,
        y=[p["gain_error_pct"] for p in points],
        mode="lines",
        line={"color": C[role], "width": 2.4, "dash": dash},
        name=meter,
        legendgroup=meter,
        showlegend=first,
        customdata=[_words(period, p) for p in points],
        hovertemplate="%{customdata}<extra></extra>",
    )


def _words(period: Document, point: Document) -> str:
    interval = [point["lo90_pct"], point["hi90_pct"]]
    return (
        f"{period['meter_id']}, {theme.day(point['date'])}"
        f"<br>gain error {theme.percent(point['gain_error_pct'])}<br>90 %: {theme.span(interval)}"
    )


def _name(period: Document, role: str) -> Fields:
    last = period["points"][-1]
    return {
        "text": period["meter_id"],
        "x": theme.iso(last["date"]),
        "y": last["gain_error_pct"],
        **{"xanchor": "right", "yanchor": "bottom", "yshift": 5, "bgcolor": C["surface"]},
        **words_in(role),
    }


def _range(periods: Sequence[Document], tolerance: float) -> tuple[float, float]:
    points = [point for period in periods for point in period["points"]]
    values = [point["gain_error_pct"] for point in points]
    lows, highs = (sorted(p[key] for p in points) for key in ("lo90_pct", "hi90_pct"))
    if points:  # a wide interval on the first days does not flatten the rest
        values += [lows[len(lows) // 10], highs[-1 - len(highs) // 10]]
    return with_margin(tolerance, values)
