"""Over seasons: a rider's meters coloured by trust, and what is spent on what."""

from collections.abc import Sequence

from dashboard import theme
from dashboard.figures.frame import C, axis, drawn, scatter, time_axis, words_in
from dashboard.navigation import Document, Fields

TRUST = {
    "within": ("within tolerance", "ok", 15),
    "unsure": ("too close to the limit to call", "due", 9),
    "beyond": ("out of tolerance", "out", 4),
}
"""Name, colour and breadth in pixels: trust is told by breadth too, not by colour alone."""
SEASON_LOOKS = (("circle-open", "rule_strong"), ("square-open", "comparison"))


def trust_at(point: Document, tolerance: float) -> str:
    """Return how far a meter can be trusted on a day, a key of TRUST.

    within: the whole 90 % interval is; beyond: the estimate is not
    """
    if abs(point["gain_error_pct"]) > tolerance:
        return "beyond"
    widest = max(abs(point["lo90_pct"]), abs(point["hi90_pct"]))
    return "within" if widest <= tolerance else "unsure"


def trusted(periods: Sequence[Document], tolerance: float) -> Fields:
    """Return which meter was ridden when, a row a meter, by trust. periods: with points each."""
    meters = list(dict.fromkeys(period["meter_id"] for period in periods))
    traces = [_stretches(periods, meters, tolerance, trust) for trust in TRUST]
    return drawn(
        traces,
        margin={"l": 74, "r": 18, "t": 14, "b": 34},
        xaxis=time_axis(None, side="bottom"),
        yaxis=axis(
            "",
            tickvals=list(range(len(meters))),
            ticktext=[f"{meter} " for meter in meters],
            range=[len(meters) - 0.4, -0.6],
            showgrid=False,
            zeroline=False,
            automargin=True,
        ),
        legend=drawn([])["layout"]["legend"] | {"y": -0.25},
    )


def _stretches(
    periods: Sequence[Document], meters: Sequence[str], tolerance: float, trust: str
) -> Fields:
    name, role, breadth = TRUST[trust]
    x: list[object] = []
    y: list[int | None] = []
    said: list[str] = []
    for period in periods:
        points = period["points"]
        row = meters.index(period["meter_id"])
        for point, until in zip(points, [*points[1:], points[-1]], strict=True):
            if trust_at(point, tolerance) != trust:
                continue
            begin, words = theme.iso(point["date"]), _words(period, point, name)
            if x[-2:] == [begin, None] and y[-2] == row:  # goes on: drawn without a seam
                del x[-1], y[-1], said[-1]
            x += [begin, theme.iso(until["date"]), None]
            y += [row, row, None]
            said += [words, words, ""]
    return scatter(
        x=x or [None],
        y=y or [None],
        mode="lines",
        line={"color": C[role], "width": breadth},
        name=name,
        customdata=said or [""],
        hovertemplate="%{customdata}<extra></extra>",
    )


def _words(period: Document, point: Document, name: str) -> str:
    interval = [point["lo90_pct"], point["hi90_pct"]]
    return (
        f"{period['meter_id']}, {theme.day(point['date'])}<br>{name}: "
        f"{theme.percent(point['gain_error_pct'])} ({theme.span(interval)})"
    )


def seasons(rows: Sequence[Document], heads: Sequence[str], unit: str | None) -> Fields:
    """Return what is spent on each item: in the seasons before, and expected in this one.

    rows: items with money, each with what came `before`; heads: the seasons' names, this one last
    """
    most = max(_highest(row) for row in rows)
    traces = [
        _spent(rows, n, head, *look)
        for n, (head, look) in enumerate(zip(heads, SEASON_LOOKS, strict=False))
    ]
    traces.append(_expected(rows, heads[-1]))
    return drawn(
        traces,
        margin={"l": 18, "r": 18, "t": 14, "b": 40},
        annotations=[_item(n, row) for n, row in enumerate(rows)],
        xaxis=axis(unit or "money", range=[-0.02 * most, 1.05 * most], zeroline=False),
        yaxis=axis(
            "",
            tickvals=list(range(len(rows))),
            showticklabels=False,
            range=[len(rows) - 0.5, -0.8],
            zeroline=False,
        ),
        legend=drawn([])["layout"]["legend"] | {"y": -0.25},
    )


def _item(n: int, row: Document) -> Fields:
    """Return an item's name above its line: a phone has no room for it beside the marks."""
    place = {"xref": "paper", "x": 0, "y": n, "xanchor": "left", "yanchor": "bottom", "yshift": 5}
    return {"text": theme.title(row["what"]), **place, **words_in("ink")}


def _highest(row: Document) -> float:
    """Return the most that an item came to or may come to; 1 where it is nothing at all."""
    before = [one["money"] or 0.0 for one in row["before"]]
    return float(max([*before, row["money"] or 0.0, *(row["interval90"] or []), 1.0]))


def _spent(rows: Sequence[Document], n: int, head: str, symbol: str, role: str) -> Fields:
    return scatter(
        x=[row["before"][n]["money"] for row in rows],
        y=list(range(len(rows))),
        mode="markers",
        marker={"symbol": symbol, "size": 12, "color": C[role], "line": {"width": 2}},
        name=head,
        hovertemplate="%{x:,.0f}<extra>" + head + "</extra>",
    )


def _expected(rows: Sequence[Document], head: str) -> Fields:
    money = [row["money"] or 0.0 for row in rows]
    ends = [row["interval90"] or [value, value] for row, value in zip(rows, money, strict=True)]
    return scatter(
        x=money,
        y=list(range(len(rows))),
        error_x={
            "array": [high - value for (_, high), value in zip(ends, money, strict=True)],
            "arrayminus": [value - low for (low, _), value in zip(ends, money, strict=True)],
            "color": C["accent"],
            "thickness": 3,
            "width": 0,
        },
        mode="markers",
        marker={"symbol": "diamond", "size": 13, "color": C["accent"]},
        name=head,
        hovertemplate="%{x:,.0f}<extra>" + head + "</extra>",
    )
