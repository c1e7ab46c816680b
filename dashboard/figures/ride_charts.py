"""Charts of a compared ride: both traces, the ratio in parts of the ride, the difference.

Watts where the reader may see them; else the same in percent of the reference's mean power.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go

from dashboard import theme
from dashboard.figures.meter import axis, frame
from dashboard.navigation import Document

C = theme.LIGHT
BANDS = (
    # key of the document, unit of its edges, title
    ("by_power_band", "w", "power"),
    ("by_cadence_band", "rpm", "cadence"),
    ("by_time", "s", "time"),
)
REASONS = {
    "meter_gap": "the meter recorded nothing",
    "reference_gap": "the reference recorded nothing",
    "other_lag": "another lag holds there",
    "implausible": "below zero or beyond any rider",
    "coasting": "coasting",
    "meter_dropout": "the meter dropped out",
    "reference_dropout": "the reference dropped out",
    "stuck": "one value repeated while the other moves",
    "spike": "a spike",
    "no_cadence": "no cadence",
    "weak_pedalling": "below 30 W",
    "start": "just before or after coasting",
    "beside_a_hole": "beside a hole, within the smoothing's reach",
    "transient": "power changes too fast",
    "disagreement": "the two disagree by far more than elsewhere",
    "fragment": "too short a piece of steady riding",
}


def has_watts(drawn: Document) -> bool:
    """Whether the traces are in watts for this reader."""
    return bool(drawn.get("meter_w"))


def traces(drawn: Document) -> go.Figure:
    """Both powers on the meter's clock; stretches that do not count are shaded."""
    suffix, unit = _unit(drawn)
    figure = go.Figure()
    for name, role, dash in (("reference", "comparison", "dot"), ("meter", "accent", "solid")):
        figure.add_trace(
            go.Scatter(
                x=drawn["minute"],
                y=drawn[f"{name}{suffix}"],
                mode="lines",
                line={"color": C[role], "width": 1.5, "dash": dash},
                name=name,
                hovertemplate=f"%{{x:.1f}} min: %{{y:.0f}} {unit}<extra>{name}</extra>",
            )
        )
    figure.update_layout(
        **frame(),
        shapes=[_shade(stretch) for stretch in drawn["left_out"]],
        xaxis=axis("minutes from the first common second", showgrid=False) | {"fixedrange": False},
        yaxis=axis(f"power, {unit}", rangemode="tozero"),
    )
    return figure


def _unit(drawn: Document) -> tuple[str, str]:
    return ("_w", "W") if has_watts(drawn) else ("_pct", "% of the mean")


def _shade(stretch: Document) -> Document:
    return {
        "type": "rect",
        "xref": "x",
        "yref": "paper",
        "x0": stretch["from_minute"],
        "x1": stretch["to_minute"],
        "y0": 0,
        "y1": 1,
        "fillcolor": C["beyond"],
        "line": {"width": 0},
        "layer": "below",
    }


def ratios(document: Document) -> go.Figure | None:
    """The ratio in bands of power and cadence and through the ride, with 90 % bars; None: none."""
    shown = [(k, u, title) for k, u, title in BANDS if document.get(k)]
    if not shown:
        return None
    figure, layout = go.Figure(), dict[str, Any]()
    values: list[float] = []
    for number, (key, unit, title) in enumerate(shown, start=1):
        bands = document[key]
        end = "" if number == 1 else str(number)
        figure.add_trace(_band_marks(bands, unit, title, end))
        for band in bands:
            values += band["gain_ratio_interval90_pct"]
        left, right = (number - 1) / len(shown), number / len(shown)
        left += 0.03 if number > 1 else 0.0
        layout[f"xaxis{end}"] = axis(
            title, type="category", showgrid=False, domain=[left, right - 0.01],
            tickangle=-40,
        )  # fmt: skip
        layout[f"yaxis{end}"] = axis("ratio − 1, %" if number == 1 else "", anchor=f"x{end}") | {
            "showticklabels": number == 1
        }
    middle = document.get("gain_ratio_pct") or 0.0
    span = _span(values, middle)
    for number in range(1, len(shown) + 1):
        layout[f"yaxis{'' if number == 1 else number}"]["range"] = span
    figure.update_layout(**frame(), **layout, shapes=_overall(document), showlegend=False)
    figure.update_layout(margin={"b": 76})
    return figure


def _band_marks(bands: Sequence[Document], unit: str, title: str, end: str) -> go.Scatter:
    ratio = [band["gain_ratio_pct"] for band in bands]
    return go.Scatter(
        x=[_band_name(band, unit) for band in bands],
        y=ratio,
        error_y={
            "array": [theme.half(band["gain_ratio_interval90_pct"]) for band in bands],
            "color": C["accent"],
            "thickness": 1.6,
            "width": 4,
        },
        mode="markers",
        marker={"symbol": "circle", "size": 9, "color": C["accent"]},
        name=title,
        xaxis=f"x{end}",
        yaxis=f"y{end}",
        customdata=[_band_words(band, unit) for band in bands],
        hovertemplate="%{customdata}<extra></extra>",
    )


def _band_name(band: Document, unit: str) -> str:
    low, high = band[f"from_{unit}"], band[f"to_{unit}"]
    if low is None or high is None:
        return ""
    if unit == "s":
        return f"{low // 60}{theme.DASH}{high // 60} min"
    if high >= (3000 if unit == "w" else 250):
        return f"over {low} {_letter(unit)}"
    return f"{low}{theme.DASH}{high} {_letter(unit)}"


def _letter(unit: str) -> str:
    return "W" if unit == "w" else unit


def _band_words(band: Document, unit: str) -> str:
    half = theme.half(band["gain_ratio_interval90_pct"])
    ratio = theme.plus_minus(band["gain_ratio_pct"], half, "%")
    minutes = theme.number(band["used_s"] / 60, 1)
    return f"{_band_name(band, unit)}<br>{ratio} (90 %)<br>{minutes} min"


def _span(values: list[float], middle: float) -> list[float]:
    reach = max([1.0, *(abs(value - middle) for value in values)])
    reach = min(reach, 6.0) * 1.1
    return [middle - reach, middle + reach]


def _overall(document: Document) -> list[Document]:
    """The whole ride's interval and value across all bands."""
    interval, value = document.get("gain_ratio_interval90_pct"), document.get("gain_ratio_pct")
    if value is None or not interval:
        return []
    across: Document = {"xref": "paper", "yref": "y", "x0": 0, "x1": 1, "layer": "below"}
    band = {"type": "rect", "y0": interval[0], "y1": interval[1], "fillcolor": C["band"]}
    line = {"type": "line", "y0": value, "y1": value}
    return [
        across | band | {"line": {"width": 0}},
        across | line | {"line": {"color": C["accent"], "width": 1.4, "dash": "dot"}},
    ]


def differences(drawn: Document, document: Document) -> go.Figure:
    """Difference against mean with the mean difference and the limits of agreement."""
    suffix, unit = _unit(drawn)
    figure = go.Figure(
        go.Scatter(
            x=drawn[f"mean_of_two{suffix}"],
            y=drawn[f"difference{suffix}"],
            mode="markers",
            marker={"size": 4, "color": C["accent"], "opacity": 0.45},
            hovertemplate=f"mean %{{x:.0f}} {unit}, difference %{{y:+.1f}} {unit}<extra></extra>",
        )
    )
    limits = document.get("limits_of_agreement_w") if has_watts(drawn) else None
    shapes, words = [], []
    for value, text, dash in _levels(document, limits):
        shapes.append(
            {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": value, "y1": value}
            | {"line": {"color": C["ink"], "width": 1.3, "dash": dash}}
        )
        words.append(
            {"xref": "paper", "x": 1, "xanchor": "right", "y": value, "yanchor": "bottom"}
            | {"text": f"{text} {theme.number(value, 1, signed=True)} W", "showarrow": False}
            | {"font": {"size": 12, "color": C["ink"]}}
        )
    figure.update_layout(
        **frame(),
        shapes=shapes,
        annotations=words,
        xaxis=axis(f"mean of the two, {unit}", showgrid=False),
        yaxis=axis(f"meter − reference, {unit}"),
    )
    return figure


def _levels(document: Document, limits: list[float] | None) -> list[tuple[float, str, str]]:
    if not limits or document.get("mean_difference_w") is None:
        return []
    return [
        (limits[1], "upper limit", "dash"),
        (document["mean_difference_w"], "mean", "solid"),
        (limits[0], "lower limit", "dash"),
    ]
