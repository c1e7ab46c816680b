"""A meter's charts: its gain error over time and the control chart, each also in words."""

from dash import html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document


def charts_part(
    history: Document, row: Document | None, as_of: object, meter_id: str
) -> html.Section:
    """Return both charts over the same days; what to measure first where nothing is."""
    if not history["points"] and not history["observations"]:
        return _nothing_measured()
    due = (row or {}).get("due_date")
    days = figures.x_range(history, today=as_of, due=due)
    drift = figures.drift(history, today=as_of, due=due)
    control = figures.control(history, days=days)
    return html.Section(
        [
            parts.section(
                "Gain error over time",
                parts.chart("drift", drift, drift_words(history, row, meter_id), tall=True),
                name="meter-drift",
                note="Filled marks were used, hollow ones were not. Bars and shading are 90 % "
                "intervals.",
            ),
            parts.section(
                "Control chart",
                parts.chart("control", control, control_words(history, meter_id)),
                name="meter-control",
                note="How far each observation lies from its forecast, in standard deviations "
                "(standardized residual): one by one above, as a weighted mean (EWMA) below. A "
                "ring marks what lies beyond the limit.",
            ),
        ]
    )


def _nothing_measured() -> html.Section:
    return parts.section(
        "Gain error over time",
        parts.empty(
            "Nothing has been measured on this meter yet.",
            "Hang the mass once, as found, before anything is changed, and load the session with "
            "the table “bench”. Until then its numbers are those of its group.",
        ),
        name="meter-drift",
    )


def drift_words(history: Document, row: Document | None, meter_id: str) -> str:
    """Return what the drift chart shows, for whoever cannot see it."""
    seen = history["observations"]
    benches = sum(o["kind"] == "bench" for o in seen)
    now = theme.percent((row or {}).get("gain_error_pct"))
    interval = theme.span((row or {}).get("interval90_pct"))
    return (
        f"Gain error of {meter_id} over time, from {theme.plural(benches, 'bench session')} and "
        f"{theme.plural(len(seen) - benches, 'ride comparison')}, with "
        f"{theme.plural(len(history['resets']), 'change')} of the slope. Now {now}, 90 %: "
        f"{interval}; tolerance ± {theme.percent(history.get('tolerance_pct'), signed=False)}."
    )


def control_words(history: Document, meter_id: str) -> str:
    """Return what the control chart shows, for whoever cannot see it."""
    beyond = [row for row in history["control"]["individuals"] if row["signal"]]
    drifting = [row for row in history["control"]["ewma"] if row["signal"]]
    days = ", ".join(theme.day(row["date"]) for row in beyond) or "none"
    return (
        f"Control chart of {meter_id}. Single observations beyond their limit: {days}. "
        f"Weighted means beyond theirs: {len(drifting)}."
    )
