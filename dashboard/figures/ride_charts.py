"""Charts of a compared ride: both traces, the ratio in parts of the ride, the difference.

Watts where the reader may see them; else the same in percent of the reference's mean power.
"""

from collections.abc import Sequence
from typing import Any

from dashboard import theme
from dashboard.figures.frame import C, axis, drawn, scatter, words_in
from dashboard.navigation import Document, Fields

BANDS = (
    # key of the document, unit of its edges, title
    ("by_power_band", "w", "power"),
    ("by_cadence_band", "rpm", "cadence"),
    ("by_time", "s", "time"),
)
REASONS = {
    "meter_gap": "the meter recorded nothing",
    "reference_gap": "the reference recorded nothing",
    "other_lag": "the clocks are apart by another lag there",
    "implausible": "below zero, or more than any rider can hold",
    "coasting": "coasting",
    "meter_dropout": "the meter dropped out",
    "reference_dropout": "the reference dropped out",
    "stuck": "one value repeated while the other moves",
    "spike": "a spike",
    "no_cadence": "no cadence",
    "weak_pedalling": "below 30 W",
    "start": "just before or after coasting",
    "beside_a_hole": "beside a gap, within reach of the smoothing",
    "transient": "power changes too fast",
    "disagreement": "the two disagree by far more than elsewhere",
    "fragment": "too short a piece of steady riding",
}


def has_watts(ride: Document) -> bool:
    """Return whether the traces are in watts for this reader."""
    return bool(ride.get("meter_w"))


def traces(ride: Document) -> Fields:
    """Return both powers on the meter's clock; stretches that do not count are shaded."""
    suffix, unit = _unit(ride)
    lines = [
        scatter(
            x=ride["minute"],
            y=ride[f"{name}{suffix}"],
            mode="lines",
            line={"color": C[role], "width": 1.5, "dash": dash},
            name=name,
            hovertemplate=f"%{{x:.1f}} min: %{{y:.0f}} {unit}<extra>{name}</extra>",
        )
        for name, role, dash in (("reference", "comparison", "dot"), ("meter", "accent", "solid"))
    ]
    return drawn(
        lines,
        shapes=[_shade(stretch) for stretch in ride["left_out"]],
        xaxis=axis("minutes from the first common second", showgrid=False) | {"fixedrange": False},
        yaxis=axis(f"power, {unit}", rangemode="tozero"),
    )


def _unit(ride: Document) -> tuple[str, str]:
    return ("_w", "W") if has_watts(ride) else ("_pct", "% of the mean")


def _shade(stretch: Document) -> Fields:
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


def ratios(document: Document) -> Fields | None:
    """Return the ratio in bands of power, cadence and time, with 90 % bars; None without bands."""
    shown = [(k, u, title) for k, u, title in BANDS if document.get(k)]
    if not shown:
        return None
    marks, axes = [], dict[str, Any]()
    reach = _reach(document, [key for key, _, _ in shown])
    for n, (key, unit, title) in enumerate(shown):
        end = "" if n == 0 else str(n + 1)
        marks.append(_band_marks(document[key], unit, title, end))
        left, right = n / len(shown) + (0.03 if n else 0.0), (n + 1) / len(shown) - 0.01
        across = {"type": "category", "showgrid": False, "tickangle": -40}
        axes[f"xaxis{end}"] = axis(title, domain=[left, right], **across)
        axes[f"yaxis{end}"] = axis(
            "" if n else "ratio − 1, %", anchor=f"x{end}", range=reach, showticklabels=n == 0
        )
    figure = drawn(marks, **axes, shapes=_overall(document), showlegend=False)
    figure["layout"]["margin"] = figure["layout"]["margin"] | {"b": 76}
    return figure


def _reach(document: Document, keys: Sequence[str]) -> list[float]:
    """Return lowest and highest percent of the axis, the whole ride's ratio in the middle."""
    middle = document.get("gain_ratio_pct") or 0.0
    ends = [end for key in keys for b in document[key] for end in b["gain_ratio_interval90_pct"]]
    reach = 1.1 * min(6.0, max([1.0, *(abs(end - middle) for end in ends)]))
    return [middle - reach, middle + reach]


def _band_marks(bands: Sequence[Document], unit: str, title: str, end: str) -> Fields:
    return scatter(
        x=[_band_name(band, unit) for band in bands],
        y=[band["gain_ratio_pct"] for band in bands],
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
    letter = "W" if unit == "w" else unit
    if high >= (3000 if unit == "w" else 250):
        return f"over {low} {letter}"
    return f"{low}{theme.DASH}{high} {letter}"


def _band_words(band: Document, unit: str) -> str:
    half = theme.half(band["gain_ratio_interval90_pct"])
    ratio = theme.plus_minus(band["gain_ratio_pct"], half, "%")
    used = theme.quantity(band["used_s"] / 60, "min", 1)
    return f"{_band_name(band, unit)}<br>{ratio} (90 %)<br>{used}"


def _overall(document: Document) -> list[Fields]:
    """Return the whole ride's interval and value across all bands."""
    interval, value = document.get("gain_ratio_interval90_pct"), document.get("gain_ratio_pct")
    if value is None or not interval:
        return []
    across: Fields = {"xref": "paper", "yref": "y", "x0": 0, "x1": 1, "layer": "below"}
    band = {"type": "rect", "y0": interval[0], "y1": interval[1], "fillcolor": C["band"]}
    line = {"type": "line", "y0": value, "y1": value}
    return [
        across | band | {"line": {"width": 0}},
        across | line | {"line": {"color": C["accent"], "width": 1.4, "dash": "dot"}},
    ]


def differences(ride: Document, document: Document) -> Fields:
    """Return difference against mean, with the mean difference and the limits of agreement."""
    suffix, unit = _unit(ride)
    seconds = scatter(
        x=ride[f"mean_of_two{suffix}"],
        y=ride[f"difference{suffix}"],
        mode="markers",
        marker={"size": 4, "color": C["accent"], "opacity": 0.45},
        hovertemplate=f"mean %{{x:.0f}} {unit}, difference %{{y:+.1f}} {unit}<extra></extra>",
    )
    levels = _levels(document, document.get("limits_of_agreement_w") if has_watts(ride) else None)
    return drawn(
        [seconds],
        shapes=[_level_line(value, dash) for value, _, dash in levels],
        annotations=[_level_words(value, text) for value, text, _ in levels],
        xaxis=axis(f"mean of the two, {unit}", showgrid=False),
        yaxis=axis(f"meter − reference, {unit}"),
    )


def _level_line(value: float, dash: str) -> Fields:
    ends = {"xref": "paper", "x0": 0, "x1": 1, "y0": value, "y1": value}
    return {"type": "line", "line": {"color": C["ink"], "width": 1.3, "dash": dash}} | ends


def _level_words(value: float, text: str) -> Fields:
    return {
        "text": f"{text} {theme.quantity(value, 'W', 1, signed=True)}",
        **{"xref": "paper", "x": 1, "xanchor": "right", "y": value, "yanchor": "bottom"},
        **words_in("ink"),
    }


def _levels(document: Document, limits: list[float] | None) -> list[tuple[float, str, str]]:
    if not limits or document.get("mean_difference_w") is None:
        return []
    return [
        (limits[1], "upper limit", "dash"),
        (document["mean_difference_w"], "mean", "solid"),
        (limits[0], "lower limit", "dash"),
    ]
