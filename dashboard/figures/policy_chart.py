"""What each further bench visit buys: policies by their visits and the days out of tolerance."""

import math
from collections.abc import Sequence

from dashboard import theme
from dashboard.figures.frame import C, axis, drawn, scatter
from dashboard.navigation import Document, Fields

TICKS = (0.1, 0.2, 0.3, 0.5, 0.7, 1, 1.5, 2, 3, 4, 6, 12)
PAPER_PX = (700, 190)  # within the margins of A4 at 96 dots an inch
# name in the key, whether a line joins them, symbol, size, colour
LOOKS = {
    "fixed": ("fixed intervals", True, "square", 9, "rule_strong"),
    "other": ("other interval methods", False, "x", 9, "comparison"),
    "ours": ("by forecast (this program)", True, "circle", 11, "accent"),
}


SERIES = {"fixed": "fixed", "method": "other", "target": "ours", "cost": "ours"}


def in_use(row: Document) -> bool:
    """Return whether the season's plan is made by this policy: at least cost."""
    return bool(row["kind"] == "cost")


def policies(rows: Sequence[Document], record: Document | None = None) -> Fields:
    """Return visits a meter and year against the share of days out of tolerance, 90 % intervals.

    record: what the team did in the last year.
    A policy so far out that it would flatten the rest stands at the upper edge, with its number.
    """
    traces: list[Fields] = []
    top = max([100 * row["interval90"][1] for row in rows if _is_usual(row)], default=5.0)
    for series, look in LOOKS.items():
        mine = [row for row in rows if SERIES[row["kind"]] == series]
        if mine:
            mine = sorted(mine, key=lambda r: (not _is_usual(r), _visits(r)))
            traces.append(_trace(mine, look, top))
    visits = [_visits(row) for row in rows]
    if record:
        traces.append(_recorded(record, top))
        visits.append(_visits(record))
    return drawn(
        traces,
        xaxis=axis(
            "bench visits a meter and year",
            type="log",
            tickvals=TICKS,
            showgrid=False,
            range=_reach(visits),
        ),
        yaxis=axis("days out of tolerance, %", range=[-0.13 * top, 1.12 * top]),
    )


def _reach(visits: list[float]) -> list[float]:
    """Return the axis in powers of ten, with room for the words beside its first and last mark."""
    known = [math.log10(value) for value in visits if value > 0] or [0.0]
    return [min(known) - 0.17, max(known) + 0.12]


def _recorded(record: Document, top: float) -> Fields:
    """Return the mark of the team's last year; beyond the axis it stands at its upper edge."""
    share = 100 * record["out_of_tolerance_share"]
    return scatter(
        x=[_visits(record)],
        y=[min(share, 1.04 * top)],
        mode="markers+text",
        text=[f"last year: {theme.share(record['out_of_tolerance_share'], 1)}"],
        textposition="middle left",
        textfont={"size": 12, "color": C["out"]},
        marker={"symbol": "star", "size": 12, "color": C["out"]},
        cliponaxis=False,
        name="last year's record",
        hovertemplate="%{text}<extra></extra>",
    )


def on_paper(rows: Sequence[Document], record: Document | None = None) -> Fields:
    """Return the same in a fixed size and in the colours of paper, for a sheet of A4."""
    figure = policies(rows, record)
    layout = figure["layout"]
    width, height = PAPER_PX
    paper = {
        "width": width,
        "height": height,
        "autosize": False,
        "paper_bgcolor": theme.PAPER["paper"],
        "plot_bgcolor": theme.PAPER["paper"],
        # so low a chart has no room for the legend under its axis title
        "legend": layout["legend"] | {"y": 1.02, "yanchor": "bottom"},
        "margin": layout["margin"] | {"t": 30},
    }
    return {**figure, "layout": layout | paper}


def _is_usual(row: Document) -> bool:
    """Return whether the policy is not so far out that it would flatten the rest."""
    return bool(row["out_of_tolerance_share"] < 0.08)


def _visits(row: Document) -> float:
    return float(row["visits_per_meter_year"])


def _trace(rows: Sequence[Document], look: tuple[str, bool, str, int, str], top: float) -> Fields:
    name, joined, symbol, size, role = look
    share = [100 * row["out_of_tolerance_share"] for row in rows]
    usual = [_is_usual(row) for row in rows]
    above, below = ([100 * row["interval90"][end] for row in rows] for end in (1, 0))
    return scatter(
        x=[row["visits_per_meter_year"] for row in rows],
        y=[s if here else 1.04 * top for s, here in zip(share, usual, strict=True)],
        error_y={
            "array": [a - s if u else 0 for a, s, u in zip(above, share, usual, strict=True)],
            "arrayminus": [s - b if u else 0 for b, s, u in zip(below, share, usual, strict=True)],
            "color": C[role],
            "thickness": 1.2,
            "width": 3,
        },
        mode="lines+markers+text" if joined else "markers+text",
        text=[_label(row) for row in rows],
        textposition=_places(rows, role),
        textfont={"size": 12, "color": C[role] if role != "rule_strong" else C["muted"]},
        line={"color": C[role], "width": 1.6, "dash": "solid" if role == "accent" else "dot"},
        marker={
            "symbol": [symbol if here else "triangle-up" for here in usual],
            "size": size,
            "color": C[role],
        },
        cliponaxis=False,
        name=name,
        customdata=[_words(row) for row in rows],
        hovertemplate="%{customdata}<extra></extra>",
    )


def _label(row: Document) -> str:
    short = row["label"]
    if _is_usual(row):
        return str(short)
    return f"{short}: {theme.share(row['out_of_tolerance_share'])}, beyond the axis"


def _places(rows: Sequence[Document], role: str) -> list[str]:
    """Return where the words stand beside their marks, so that neighbours keep apart."""
    if role == "accent":  # down the left; what is in use to the right of its neighbour
        return ["bottom right" if in_use(row) else "bottom left" for row in rows]
    if role == "comparison":
        few = [row for row in rows if _is_usual(row)]
        return [
            "middle right"
            if not _is_usual(row)
            else "middle left"
            if row is few[0]
            else "top right"
            for row in rows
        ]
    low = [
        "bottom center" if row["out_of_tolerance_share"] < 0.01 else "middle right" for row in rows
    ]
    return [low[n] if n % 2 else "top right" for n in range(len(rows))]


def _words(row: Document) -> str:
    return (
        f"{row['name']}<br>"
        f"{theme.number(row['visits_per_meter_year'], 2)} visits a meter and year"
        f"<br>{theme.share(row['out_of_tolerance_share'], 1)} of days out of tolerance"
        f"<br>90 %: {theme.share_span(row['interval90'], 1)}"
    )
