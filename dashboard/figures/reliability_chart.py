"""Forecast probabilities against how often they came true."""

from collections.abc import Sequence

from dashboard import theme
from dashboard.figures.frame import C, axis, drawn, scatter
from dashboard.navigation import Document, Fields


def reliability(bins: Sequence[Document]) -> Fields:
    """Return the share found within tolerance against the forecast probability, 90 % intervals."""
    share = [100 * row["share"] for row in bins]
    as_forecast = scatter(
        x=[0, 100],
        y=[0, 100],
        mode="lines",
        line={"color": C["rule_strong"], "dash": "dash", "width": 1.2},
        name="as forecast",
        hoverinfo="skip",
    )
    found = scatter(
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
        hovertemplate="forecast %{x:.0f} %<br>found %{y:.0f} %<br>%{customdata}<extra></extra>",
    )
    return drawn(
        [as_forecast, found],
        xaxis=axis("forecast probability of being within, %", range=[-3, 103]),
        yaxis=axis("found within, %", range=[-3, 103]),
    )
