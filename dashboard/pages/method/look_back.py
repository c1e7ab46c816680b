"""The method page's look back: what would have been forecast, against what was found."""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go
from dash import html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.figures import C
from dashboard.navigation import Document


def hindcast_parts(found: Document) -> list[Any]:
    """The hindcast that has arrived."""
    if not found["n"]:
        return [_section([parts.empty("No bench session to forecast yet.", "Bench a meter.")])]
    bins = [row for row in found["reliability"] if row["n"]]
    told = "; ".join(
        f"of {row['n']} said to be within with {theme.probability(row['mean_p'])}, "
        f"{theme.probability(row['share'])} were"
        for row in bins
    )
    return [
        _section(
            [
                html.P(theme.sentence(found["text"]), className="headline"),
                parts.facts(_facts(found)),
                html.Div(
                    [
                        parts.chart("reliability", reliability(bins), f"Reliability: {told}."),
                        _bins(bins),
                    ],
                    className="side-by-side",
                ),
                html.H3("By group"),
                _groups(found["by_group"]),
                _left_out(found["left_out"]),
            ]
        )
    ]


def _section(body: list[Any]) -> html.Section:
    return parts.section(
        "Looking back",
        *body,
        name="method-hindcast",
        note="Every bench session forecast from what was known before it, at hyperparameters that "
        "had not seen it either.",
    )


def _facts(found: Document) -> list[tuple[str, Any]]:
    low, high = (100 * found[f"coverage90_{end}"] for end in ("lo", "hi"))
    bias = theme.plus_minus(found["bias_pct"], theme.half90(found.get("u_bias_pct")), "%")
    return [
        (
            "Found inside the 90 % forecast",
            f"{_percent(found['coverage90'])} ({low:.0f} to {high:.0f})",
        ),
        ("Brier score, against no skill", _brier(found)),
        ("Found less forecast, ± at 90 %", bias),
        ("Typical miss, against what was said", _miss(found)),
    ]


def _percent(share: float | None) -> str:
    return theme.percent(None if share is None else 100 * share, 0, signed=False)


def _brier(row: Document) -> str:
    return f"{theme.number(row['brier'], 3)} (no skill: {theme.number(row['brier_no_skill'], 3)})"


def _miss(row: Document) -> str:
    miss, said = (theme.number(row.get(key)) for key in ("rmse_pct", "mean_sd_pct"))
    return f"{miss}{theme.NBSP}% (said: {said}{theme.NBSP}%)"


def reliability(bins: list[Document]) -> go.Figure:
    """What was said against how often it came true, with the interval of each bin."""
    figure = go.Figure()
    figure.add_trace(
        go.Scatter(
            x=[0, 100],
            y=[0, 100],
            mode="lines",
            line={"color": C["rule_strong"], "dash": "dash", "width": 1.2},
            name="as said",
            hoverinfo="skip",
        )
    )
    share = [100 * row["share"] for row in bins]
    figure.add_trace(
        go.Scatter(
            x=[100 * row["mean_p"] for row in bins],
            y=share,
            error_y={
                "array": [100 * r["share_hi"] - s for r, s in zip(bins, share, strict=True)],
                "arrayminus": [s - 100 * r["share_lo"] for r, s in zip(bins, share, strict=True)],
                "color": C["accent"],
                "thickness": 1.4,
            },
            mode="markers",
            marker={"size": 10, "color": C["accent"]},
            name="found, 90 %",
            customdata=[theme.plural(row["n"], "session") for row in bins],
            hovertemplate="said %{x:.0f} %<br>found %{y:.0f} %<br>%{customdata}<extra></extra>",
        )
    )
    figure.update_layout(
        **figures.frame(),
        xaxis=figures.axis("chance given of being within, %", range=[-3, 103]),
        yaxis=figures.axis("found within, %", range=[-3, 103]),
    )
    return figure


def _bins(bins: list[Document]) -> html.Div:
    rows = [
        html.Tr(
            [
                html.Td(f"{100 * row['p_from']:.0f} to {100 * row['p_to']:.0f}{theme.NBSP}%"),
                html.Td(str(row["n"])),
                html.Td(_percent(row["mean_p"])),
                html.Td(_percent(row["share"])),
                html.Td(f"{100 * row['share_lo']:.0f} to {100 * row['share_hi']:.0f}"),
            ]
        )
        for row in bins
    ]
    titles = ("Chance given", "Sessions", "Mean of it", "Found within", "90 %")
    return parts.plain_table(titles, rows, name="Reliability")


def _groups(groups: list[Document]) -> html.Div:
    rows = [
        html.Tr(
            [
                html.Th(row["group"], scope="row"),
                html.Td(str(row["n"])),
                html.Td(f"{_percent(row['coverage90'])} ({_ends(row)})"),
                html.Td(_brier(row)),
                html.Td(
                    theme.plus_minus(row["bias_pct"], theme.half90(row.get("u_bias_pct")), "%")
                ),
                html.Td(_miss(row)),
            ]
        )
        for row in groups
    ]
    titles = ("Group", "Sessions", "Inside the 90 %", "Brier score", "Found less forecast", "Miss")
    return parts.plain_table(titles, rows, name="Looking back, by group")


def _ends(row: Document) -> str:
    low, high = row.get("coverage90_lo"), row.get("coverage90_hi")
    return theme.MISSING if low is None or high is None else f"{100 * low:.0f} to {100 * high:.0f}"


def _left_out(rows: list[Document]) -> html.Details | None:
    if not rows:
        return None
    lines = [
        html.Li(f"{row['session_id']}, {row['meter_id']}: {theme.sentence(row['reason'])}")
        for row in rows
    ]
    said = f"{theme.plural(len(rows), 'session')} without a forecast"
    return html.Details([html.Summary(said), html.Ul(lines)])
