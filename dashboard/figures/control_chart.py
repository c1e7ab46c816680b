"""The control chart's figure: single observations and their weighted mean, with limits."""

from collections.abc import Iterable, Sequence

from dashboard import theme
from dashboard.figures.frame import C, axis, drawn, scatter, time_axis
from dashboard.navigation import Document, Fields

CHART_NAMES = {
    "individuals": "single records",
    "ewma": "weighted mean (EWMA)",
    "cusum": "cumulative sum (CUSUM)",
}


def control(history: Document, *, days: list[str] | None = None) -> Fields:
    """Return standardized residuals one by one and their weighted mean (EWMA), with limits."""
    chart = history["control"]
    traces: list[Fields] = []
    for name, rows, place in (
        ("residual", chart["individuals"], "y"),
        ("EWMA", chart["ewma"], "y2"),
    ):
        traces += _control_limits(rows, place)
        traces.append(_control_values(rows, name, place))
        if any(row["signal"] for row in rows):
            traces.append(_signals(rows, name, place))
    return drawn(
        traces,
        yaxis=axis("residual, in sd", domain=[0.56, 1.0]),
        yaxis2=axis("EWMA, in sd", domain=[0.0, 0.44]),
        xaxis=time_axis(days, anchor="y2"),
    )


def _control_limits(rows: Sequence[Document], place: str) -> Iterable[Fields]:
    for sign in (1, -1):
        yield scatter(
            x=[theme.iso(row["date"]) for row in rows],
            y=[sign * row["limit"] for row in rows],
            yaxis=place,
            mode="lines",
            line={"color": C["out"], "width": 1.4, "dash": "dash", "shape": "hvh"},
            name="limit",
            legendgroup="limit",
            showlegend=sign == 1 and place == "y",
            hoverinfo="skip",
        )


def _control_values(rows: Sequence[Document], name: str, place: str) -> Fields:
    return scatter(
        x=[theme.iso(row["date"]) for row in rows],
        y=[row["value"] for row in rows],
        yaxis=place,
        mode="lines+markers",
        line={"color": C["accent"], "width": 1 if place == "y" else 2.2},
        marker={
            "symbol": ["circle" if row.get("kind") == "bench" else "diamond" for row in rows],
            "size": [9 if row.get("kind") == "bench" else 7 for row in rows],
            "color": C["accent"],
            "opacity": 1,
        },
        name=name,
        customdata=[_control_words(row, name) for row in rows],
        hovertemplate="%{customdata}<extra></extra>",
    )


def _control_words(row: Document, name: str) -> str:
    said = [f"{name} {theme.number(row['value'], 2, signed=True)}", theme.day(row["date"])]
    said.append(f"limit {theme.within(row['limit'])}")
    if row.get("id"):
        said.insert(0, str(row["id"]))
    return "<br>".join(said)


def _signals(rows: Sequence[Document], name: str, place: str) -> Fields:
    beyond = [row for row in rows if row["signal"]]
    return scatter(
        x=[theme.iso(row["date"]) for row in beyond],
        y=[row["value"] for row in beyond],
        yaxis=place,
        mode="markers+text",
        text=["beyond" for _ in beyond],
        textposition="middle right",
        textfont={"color": C["out"], "size": 12},
        marker={"symbol": "circle-open", "size": 18, "color": C["out"], "line": {"width": 2.4}},
        name=f"{name} beyond its limit",
        hoverinfo="skip",
        showlegend=False,
    )
