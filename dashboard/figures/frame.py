"""What every figure has: colours by their role, letters, axes, the legend."""

from collections.abc import Sequence
from typing import Any

from dashboard import theme
from dashboard.navigation import Document, Fields

C = theme.LIGHT  # the browser swaps each colour for the same role of the theme in force
LETTERS = '"Segoe UI", Roboto, "Helvetica Neue", "Liberation Sans", Arial, sans-serif'


def drawn(traces: Sequence[Document], **layout: Any) -> Fields:
    """Return a figure as the browser takes it, in the frame that all have.

    A figure is a plain document: the library's own objects check every property, which took most
    of the time of drawing a page. The tests have them checked.
    """
    return {"data": list(traces), "layout": frame() | layout}


def scatter(**properties: Any) -> Fields:
    """Return one trace of marks or lines."""
    return {"type": "scatter", **properties}


def frame() -> Fields:
    """Return the layout that every figure has."""
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
        "separators": f".{theme.NBSP}",
    }


def words_in(role: str) -> Fields:
    """Return how words that stand in a figure look."""
    return {"showarrow": False, "font": {"size": 12, "color": C[role]}}


def axis(title: str, **options: Any) -> Fields:
    """Return an axis with its title."""
    return {
        "title": {"text": title, "font": {"size": 13, "color": C["muted"]}, "standoff": 6},
        "gridcolor": C["rule"],
        "zerolinecolor": C["rule_strong"],
        "zerolinewidth": 1,
        "tickfont": {"color": C["muted"]},
        "fixedrange": True,
        "separatethousands": True,
        **options,
    }


def time_axis(days: list[str] | None, **options: Any) -> Fields:
    """Return an axis of days. days: its first and last; None: as far as the traces reach."""
    shown = axis("", type="date", showgrid=False, zeroline=False, **options)
    shown["fixedrange"] = False
    return shown | {"range": days} if days else shown
