"""The control chart's figure: single observations and their weighted mean, with limits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dashboard import theme
from dashboard.figures import meter
from dashboard.figures.meter import C, scatter
from dashboard.navigation import Document


def control(history: Document, *, days: list[str] | None = None) -> Document:
    """Standardized residuals one by one, and their exponentially weighted mean, with limits."""
    chart = history["control"]
    traces: list[Document] = []
    for name, rows, axis in (
        ("residual", chart["individuals"], "y"),
        ("EWMA", chart["ewma"], "y2"),
    ):
        traces += _control_limits(rows, axis)
        traces.append(_control_values(rows, name, axis))
        if any(row["signal"] for row in rows):
            traces.append(_signals(rows, name, axis))
    return meter.drawn(
        traces,
        yaxis=meter.axis("residual, in sd", domain=[0.56, 1.0]),
        yaxis2=meter.axis("EWMA, in sd", domain=[0.0, 0.44]),
        xaxis=meter.time_axis(days, anchor="y2"),
    )


def _control_limits(rows: Sequence[Document], axis: str) -> Iterable[Document]:
    for sign in (1, -1):
        yield scatter(
            x=[theme.iso(row["date"]) for row in rows],
            y=[sign * row["limit"] for row in rows],
            yaxis=axis,
            mode="lines",
            line={"color": C["out"], "width": 1.4, "dash": "dash", "shape": "hvh"},
            name="limit",
            legendgroup="limit",
            showlegend=sign == 1 and axis == "y",
            hoverinfo="skip",
        )


def _control_values(rows: Sequence[Document], name: str, axis: str) -> Document:
    return scatter(
        x=[theme.iso(row["date"]) for row in rows],
        y=[row["value"] for row in rows],
        yaxis=axis,
        mode="lines+markers",
        line={"color": C["accent"], "width": 1 if axis == "y" else 2.2},
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
    said.append(f"limit ±{theme.NBSP}{theme.number(row['limit'], 2)}")
    if row.get("id"):
        said.insert(0, str(row["id"]))
    return "<br>".join(said)


def _signals(rows: Sequence[Document], name: str, axis: str) -> Document:
    beyond = [row for row in rows if row["signal"]]
    return scatter(
        x=[theme.iso(row["date"]) for row in beyond],
        y=[row["value"] for row in beyond],
        yaxis=axis,
        mode="markers+text",
        text=["beyond" for _ in beyond],
        textposition="middle right",
        textfont={"color": C["out"], "size": 12},
        marker={"symbol": "circle-open", "size": 18, "color": C["out"], "line": {"width": 2.4}},
        name=f"{name} beyond its limit",
        hoverinfo="skip",
        showlegend=False,
    )
