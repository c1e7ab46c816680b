"""One compared ride, as the rides page and a meter's page show it."""

from typing import Any

from dash import html

from dashboard import figures, theme
from dashboard.components.browser import aria
from dashboard.components.charts import chart
from dashboard.components.messages import note, sentences
from dashboard.components.sections import facts, section
from dashboard.components.tables import plain_table
from dashboard.navigation import Document

NO_WATTS = (
    "Power is shown in percent of the ride's mean: only the rider's own coach may see the watts."
)
SHADED = "Shaded stretches do not count."
RATIO_NOTE = (
    "Meter divided by reference, zero offset taken out. Bars are 90 % intervals; the band across "
    "is that of the whole ride. Where the ratio changes with power, cadence or time, the meter's "
    "error is not the same gain throughout."
)
DIFFERENCE_NOTE = (
    "Only seconds that count, both powers smoothed alike. The lines are the mean difference and "
    "the limits that hold 95 % of the seconds (limits of agreement)."
)


def ride_part(
    document: Document, drawn: Document | None, *, name: str, after: Any = None
) -> html.Div:
    """Return all of one compared ride; `after` stands between the answer and the charts.

    document: what `compare` says of the pair
    drawn: the two traces; None where no recording is kept
    """
    return html.Div(
        [
            _answer(document),
            _said(document),
            after,
            _charts(document, drawn, name=name),
            _excluded(document, name=name),
        ],
        className="ride",
    )


def _answer(document: Document) -> html.Section:
    half = theme.half(document.get("gain_ratio_interval90_pct"))
    ratio = document.get("gain_ratio_pct")
    big = theme.plus_minus(ratio, half, "%") if ratio is not None else "No ratio"
    return html.Section(
        [
            html.Div(
                [html.P(big, className="big"), html.P(_reads(document), className="reads")],
                className="figure-of-merit",
            ),
            facts(_facts(document)),
        ],
        className="standing ride-answer",
        **aria(label="The answer"),
    )


def _reads(document: Document) -> str:
    ratio = document.get("gain_ratio_pct")
    if ratio is None:
        return "These recordings give no ratio; the reason stands below."
    interval = theme.span(document.get("gain_ratio_interval90_pct"))
    side = "more" if ratio > 0 else "less"
    return f"The meter shows {side} than the reference, zero offset taken out. 90 %: {interval}"


def _facts(document: Document) -> list[tuple[str, Any]]:
    half = theme.half(document.get("zero_offset_interval90_nm"))
    zero = theme.plus_minus(document.get("zero_offset_nm"), half, "N·m")
    pairs = [
        ("Zero offset between the two", theme.estimate(zero, "90 %")),
        ("Reference's clock", _clock(document)),
        ("Used", f"{theme.duration(document.get('used_s'))} of {_overlap(document)}"),
        ("Smoothing", _smoothing(document.get("smoothing") or {})),
    ]
    limits = document.get("limits_of_agreement_w")
    if limits:
        mean = theme.quantity(document.get("mean_difference_w"), "W", 1, signed=True)
        spread = theme.span(limits, 0, "W")
        pairs.append(("Difference second by second", f"mean {mean}; 95 %: {spread}"))
    return pairs


def _overlap(document: Document) -> str:
    return theme.duration(document.get("overlap_s"))


def _clock(document: Document) -> str:
    lag = document.get("lag_s")
    if lag is None:
        return "cannot be told from the two powers"
    side = "ahead" if lag > 0 else "behind"
    drift = theme.quantity(document.get("clock_drift_ppm"), "ppm", 0, signed=True)
    return f"{theme.quantity(abs(lag), 's', 1)} {side}, drifts {drift}"


def _smoothing(found: Document) -> str:
    smoother = found.get("smoother")
    if smoother in (None, "neither"):
        return "the same on both"
    seconds = found.get("seconds") or 0.0
    by = f"about {theme.quantity(seconds, 's', 1)}" if seconds >= 1 else "less than a second"
    return f"the {smoother} smooths more, by {by}; this is allowed for"


def _said(document: Document) -> html.Div:
    """Return why the pair proves nothing, where it does; then the warnings."""
    void = document.get("void")
    return html.Div(
        [
            html.P([html.B("This pair proves nothing. "), void], className="warn void")
            if void
            else None,
            sentences(document.get("warnings") or [], className="notices"),
        ],
        className="ride-said",
    )


def _charts(document: Document, drawn: Document | None, *, name: str) -> html.Div:
    """Return the two traces, the ratio in parts of the ride, difference against mean."""
    return html.Div(
        [
            _traces(document, drawn, name) if drawn else None,
            _ratios(document, name),
            _differences(document, drawn, name)
            if drawn and document.get("gain_ratio_pct") is not None
            else None,
        ],
        className="ride-charts",
    )


def _traces(document: Document, drawn: Document, name: str) -> html.Section:
    words = (
        "The power of the meter and of the reference over the ride, on one clock; "
        f"{theme.duration(document.get('used_s'))} of {_overlap(document)} count."
    )
    return section(
        "Both powers, aligned",
        chart(f"{name}-traces", figures.traces(drawn), words),
        name=f"{name}-aligned",
        note=SHADED if figures.has_watts(drawn) else f"{SHADED} {NO_WATTS}",
    )


def _ratios(document: Document, name: str) -> html.Section | None:
    figure = figures.ratios(document)
    if figure is None:
        return None
    bands = document.get("by_power_band") or document.get("by_time") or []
    words = (
        f"The ratio in {theme.plural(len(bands), 'part')} of the ride beside the whole ride's "
        f"{theme.percent(document.get('gain_ratio_pct'))}."
    )
    return section(
        "The ratio in parts of the ride",
        chart(f"{name}-ratios", figure, words),
        name=f"{name}-bands",
        note=RATIO_NOTE,
    )


def _differences(document: Document, drawn: Document, name: str) -> html.Section:
    words = "Difference of the two powers against their mean, second by second."
    return section(
        "Difference against mean",
        chart(f"{name}-differences", figures.differences(drawn, document), words),
        name=f"{name}-agreement",
        note=DIFFERENCE_NOTE,
    )


def _excluded(document: Document, *, name: str) -> html.Section:
    """Return the seconds that do not count, by reason."""
    excluded = document.get("excluded_s") or {}
    total = document.get("overlap_s") or 0
    body: Any = note("Every second that both recorded was used.")
    if excluded:
        rows = [
            (
                theme.sentence(figures.REASONS.get(reason, theme.words(reason))),
                theme.duration(seconds),
                theme.share(seconds / total if total else None, 1),
            )
            for reason, seconds in sorted(excluded.items(), key=lambda item: -item[1])
        ]
        titles = ("Why", "Time", "Of the overlap")
        body = plain_table(titles, rows, name="What was left out", numbers=(1, 2))
    return section("What was left out", body, name=f"{name}-excluded")
