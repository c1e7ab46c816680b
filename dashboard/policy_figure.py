"""What each further bench visit buys: policies by their visits and the days out of tolerance."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from dashboard import figures, theme
from dashboard.figures import C
from dashboard.pages import Document

TICKS = (0.1, 0.2, 0.3, 0.5, 0.7, 1, 1.5, 2, 3, 4, 6, 12)
FIXED, OURS = "every ", "ours"
# name in the key, whether a line joins them, symbol, size, colour
LOOKS = {
    "fixed": ("fixed intervals", True, "square", 9, "rule_strong"),
    "other": ("other interval methods", False, "x", 9, "comparison"),
    "ours": ("by forecast (this program)", True, "circle", 11, "accent"),
}


def kind_of(name: str) -> str:
    """Whether a policy is a fixed interval, ours, or another one."""
    return "fixed" if name.startswith(FIXED) else "ours" if name.startswith(OURS) else "other"


def policies(rows: Sequence[Document]) -> go.Figure:
    """Visits a meter and year against the share of days out of tolerance, 90 % intervals."""
    figure = go.Figure()
    for kind, look in LOOKS.items():
        mine = [row for row in rows if kind_of(row["name"]) == kind]
        if mine:
            figure.add_trace(_trace(sorted(mine, key=_visits), look))
    top = max([100 * row["interval90"][1] for row in rows if _is_usual(row)], default=5.0)
    figure.update_layout(
        **figures.frame(),
        xaxis=figures.axis(
            "bench visits a meter and year", type="log", tickvals=TICKS, showgrid=False
        ),
        yaxis=figures.axis("days out of tolerance, %", range=[-0.03 * top, 1.08 * top]),
    )
    return figure


def _is_usual(row: Document) -> bool:
    """Not so far out that it would flatten the rest."""
    return bool(row["out_of_tolerance_share"] < 0.08)


def _visits(row: Document) -> float:
    return float(row["visits_per_meter_year"])


def _trace(rows: list[Document], look: tuple[str, bool, str, int, str]) -> go.Scatter:
    name, joined, symbol, size, role = look
    share = [100 * row["out_of_tolerance_share"] for row in rows]
    return go.Scatter(
        x=[row["visits_per_meter_year"] for row in rows],
        y=share,
        error_y={
            "array": [100 * r["interval90"][1] - s for r, s in zip(rows, share, strict=True)],
            "arrayminus": [s - 100 * r["interval90"][0] for r, s in zip(rows, share, strict=True)],
            "color": C[role],
            "thickness": 1.2,
            "width": 3,
        },
        mode="lines+markers+text" if joined else "markers+text",
        text=[short_name(row["name"]) for row in rows],
        textposition="top right" if role != "accent" else "bottom left",
        textfont={"size": 12, "color": C[role] if role != "rule_strong" else C["muted"]},
        line={"color": C[role], "width": 1.6, "dash": "solid" if role == "accent" else "dot"},
        marker={"symbol": symbol, "size": size, "color": C[role]},
        name=name,
        customdata=[_words(row) for row in rows],
        hovertemplate="%{customdata}<extra></extra>",
    )


def short_name(name: str) -> str:
    """A policy as it stands beside its mark."""
    for long, short in ((FIXED, ""), ("ours, target ", ""), ("ours, by cost", "by cost")):
        if name.startswith(long):
            return short + name.removeprefix(long).partition(" (")[0]
    return name.partition(",")[0]


def _words(row: Document) -> str:
    low, high = (theme.percent(100 * end, 1, signed=False) for end in row["interval90"])
    return (
        f"{row['name']}<br>{theme.number(row['visits_per_meter_year'], 2)} visits a meter and year"
        f"<br>{theme.percent(100 * row['out_of_tolerance_share'], 1, signed=False)} of days out "
        f"of tolerance<br>90 % of seasons: {low} to {high}"
    )
