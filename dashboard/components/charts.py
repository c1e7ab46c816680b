"""The place of a chart, with what it says to whoever cannot see it."""

from typing import Any

from dash import dcc, html

from dashboard.components.browser import aria
from dashboard.navigation import Document


def chart(
    name: str,
    figure: Document,
    description: str,
    *,
    tall: bool = False,
    height_px: int | None = None,
) -> html.Figure:
    """Return a figure that follows the theme; the description is what a screen reader says.

    The figure comes in the light theme's colours; the browser puts the chart into its place in
    those of the theme in force, and so draws it once.
    height_px: of a chart whose number of rows tells it
    """
    drawn: dict[str, Any] = {
        "figure": figure,
        "className": "chart tall" if tall else "chart",
        "config": {
            "displaylogo": False,
            "responsive": True,
            "modeBarButtons": [["zoom2d", "pan2d", "resetScale2d"], ["toImage"]],
            "toImageButtonOptions": {"format": "svg", "filename": name},
        },
    }
    size = {"height": f"{height_px}px"} if height_px else {}
    drawn |= {"style": size} if size else {}
    return html.Figure(
        [
            dcc.Store(id={"type": "chart-source", "name": name}, data=drawn),
            html.Div(id={"type": "chart", "name": name}, className=drawn["className"], style=size),
            html.Figcaption(description, className="unseen"),
        ],
        **aria(label=description),
    )
