"""How likely an unrecorded step is named, by its size and the months since."""

from collections.abc import Sequence
from itertools import groupby

from dashboard import theme
from dashboard.figures.frame import C, axis, drawn, scatter
from dashboard.navigation import Document, Fields

COLOURS = ("comparison", "accent", "ink")


def power(rows: Sequence[Document]) -> Fields:
    """Return the probability of being named against the step's size, a line a horizon.

    rows: months, step_pct, found (0 … 1), in order of the months
    """
    by_months = groupby(rows, key=lambda row: row["months"])
    traces = [
        _line(months, list(mine), C[role])
        for (months, mine), role in zip(by_months, COLOURS, strict=False)
    ]
    return drawn(
        traces,
        xaxis=axis("size of the step, %", rangemode="tozero"),
        yaxis=axis("named, %", range=[-3, 103]),
    )


def _line(months: int, rows: Sequence[Document], colour: str) -> Fields:
    within = f"within {theme.plural(months, 'month')}"
    return scatter(
        x=[row["step_pct"] for row in rows],
        y=[100 * row["found"] for row in rows],
        mode="lines+markers",
        line={"color": colour, "width": 2},
        marker={"size": 7, "color": colour},
        name=within,
        hovertemplate="%{x:.2g} %: named in %{y:.0f} of 100 " + within + "<extra></extra>",
    )
