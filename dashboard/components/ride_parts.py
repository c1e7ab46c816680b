"""What the rides page and a meter's page show of one compared ride."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard import figures, theme
from dashboard.components import parts
from dashboard.navigation import Document

NO_WATTS = (
    "Power is shown in percent of the ride's mean: a rider's watts are open to the rider's coach."
)


def answer_part(document: Document) -> html.Section:
    """The ratio with its interval, and what it stands on."""
    half = theme.half(document.get("gain_ratio_interval90_pct"))
    ratio = document.get("gain_ratio_pct")
    big = theme.plus_minus(ratio, half, "%") if ratio is not None else "No ratio"
    return html.Section(
        [
            html.Div(
                [
                    html.P(big, className="big"),
                    html.P(_reads(document), className="reads"),
                ],
                className="figure-of-merit",
            ),
            parts.facts(_facts(document)),
        ],
        className="standing ride-answer",
        **parts.aria(label="The answer"),
    )


def _reads(document: Document) -> str:
    ratio = document.get("gain_ratio_pct")
    if ratio is None:
        return "The recordings do not say; the reason stands below."
    interval = theme.span(document.get("gain_ratio_interval90_pct"))
    side = "more" if ratio > 0 else "less"
    return f"the meter shows {side} than the reference, its zero part taken out; 90 %: {interval}"


def _facts(document: Document) -> list[tuple[str, Any]]:
    zero = theme.plus_minus(
        document.get("zero_offset_nm"), theme.half(document.get("zero_offset_interval90_nm")), "N·m"
    )
    facts = [
        ("Zero offset between the two", f"{zero} (90 %)" if zero != theme.MISSING else zero),
        ("Reference's clock", _lag(document)),
        ("Used", f"{_span_s(document.get('used_s'))} of {_span_s(document.get('overlap_s'))}"),
        ("Smoothing", _smoothing(document.get("smoothing") or {})),
    ]
    limits = document.get("limits_of_agreement_w")
    if limits:
        mean = theme.number(document.get("mean_difference_w"), 1, signed=True)
        spread = theme.span(limits, 0, "W")
        facts.append(("Difference second by second", f"mean {mean}{theme.NBSP}W, 95 %: {spread}"))
    return facts


def _lag(document: Document) -> str:
    lag = document.get("lag_s")
    if lag is None:
        return "not to be told from the powers"
    side = "ahead" if lag > 0 else "behind"
    drift = theme.number(document.get("clock_drift_ppm"), 0, signed=True)
    return f"{theme.number(abs(lag), 1)}{theme.NBSP}s {side}, drifts {drift}{theme.NBSP}ppm"


def _smoothing(found: Document) -> str:
    smoother = found.get("smoother")
    if smoother in (None, "neither"):
        return "both alike"
    seconds = found.get("seconds") or 0.0
    by = f"about {theme.number(seconds, 1)}{theme.NBSP}s" if seconds >= 1 else "less than a second"
    return f"the {smoother}'s is smoother, by {by}; taken into account"


def _span_s(seconds: float | None) -> str:
    if seconds is None:
        return theme.MISSING
    whole = round(seconds)
    if whole < 60:
        return f"{whole}{theme.NBSP}s"
    if whole < 3600:
        return f"{whole // 60}{theme.NBSP}min {whole % 60:02d}{theme.NBSP}s"
    return f"{whole // 3600}{theme.NBSP}h {whole % 3600 // 60:02d}{theme.NBSP}min"


def said_part(document: Document) -> html.Div:
    """Why the pair proves nothing, where it does; then the warnings."""
    void = document.get("void")
    said: list[Any] = []
    if void:
        said.append(html.P([html.B("This pair proves nothing. "), void], className="warn void"))
    if document.get("warnings"):
        items = [html.Li(theme.sentence(text)) for text in document["warnings"]]
        said.append(html.Ul(items, className="notices"))
    return html.Div(said, className="ride-said")


def charts_part(document: Document, drawn: Document, *, name: str) -> html.Div:
    """The two traces, the ratio in parts of the ride, difference against mean."""
    sections = []
    if drawn:
        note = "Shaded stretches do not count."
        sections.append(
            parts.section(
                "Both powers, aligned",
                parts.chart(f"{name}-traces", figures.traces(drawn), _trace_words(document)),
                name=f"{name}-aligned",
                note=note if figures.has_watts(drawn) else f"{note} {NO_WATTS}",
            )
        )
    ratios = figures.ratios(document)
    if ratios is not None:
        sections.append(
            parts.section(
                "The ratio in parts of the ride",
                parts.chart(f"{name}-ratios", ratios, _ratio_words(document)),
                name=f"{name}-bands",
                note="The meter over the reference, the zero part taken out. Bars span 90 %; the "
                "band across is the whole ride's. A ratio that changes with power, cadence or time "
                "is no plain gain.",
            )
        )
    if drawn and document.get("gain_ratio_pct") is not None:
        sections.append(
            parts.section(
                "Difference against mean",
                parts.chart(
                    f"{name}-differences",
                    figures.differences(drawn, document),
                    "Difference of the two powers against their mean, second by second.",
                ),
                name=f"{name}-agreement",
                note="Seconds that count, with the same smoothing on both; the lines are the mean "
                "difference and the limits within which 95 % lie.",
            )
        )
    return html.Div(sections, className="ride-charts")


def _trace_words(document: Document) -> str:
    return (
        "The power of the meter and of the reference over the ride, on one clock; "
        f"{_span_s(document.get('used_s'))} of {_span_s(document.get('overlap_s'))} count."
    )


def _ratio_words(document: Document) -> str:
    bands = document.get("by_power_band") or document.get("by_time") or []
    return (
        f"The ratio in {len(bands)} parts of the ride beside the whole ride's "
        f"{theme.percent(document.get('gain_ratio_pct'))}."
    )


def excluded_part(document: Document, *, name: str) -> html.Section:
    """Seconds that do not count, by reason."""
    excluded = document.get("excluded_s") or {}
    total = document.get("overlap_s") or 0
    if not excluded:
        body: Any = html.P("Every common second was used.", className="note")
    else:
        rows = [
            html.Tr(
                [
                    html.Td(theme.sentence(figures.REASONS.get(reason, theme.words(reason)))),
                    html.Td(_span_s(seconds), className="num"),
                    html.Td(_share(seconds, total), className="num"),
                ]
            )
            for reason, seconds in sorted(excluded.items(), key=lambda item: -item[1])
        ]
        body = parts.plain_table(("Why", "Time", "Of the overlap"), rows, name="What was left out")
    return parts.section("What was left out", body, name=f"{name}-excluded")


def _share(seconds: float, total: float) -> str:
    return f"{theme.number(100 * seconds / total, 1)}{theme.NBSP}%" if total else theme.MISSING


def ride_part(document: Document, drawn: Document, *, name: str, after: Any = None) -> html.Div:
    """All of one compared ride; `after` stands between the answer and the charts."""
    return html.Div(
        [
            answer_part(document),
            said_part(document),
            after,
            charts_part(document, drawn, name=name),
            excluded_part(document, name=name),
        ],
        className="ride",
    )
