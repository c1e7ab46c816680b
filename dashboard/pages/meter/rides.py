"""A meter's ride comparisons: the list, and one of them drawn."""

from collections.abc import Sequence
from typing import Any

from dash import Dash, Input, Output, State, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, meter_of
from dashboard.security import Guarded
from models import run

SHOWN = 12  # comparisons before the table turns the page
SOURCES = {"recordings": "recordings", "steps": "steady steps"}


def comparisons_part(comparisons: Sequence[Document]) -> html.Section:
    """Return the list of comparisons, newest first, and the place of the one that is chosen."""
    rows = [comparison_row(c) for c in comparisons]
    paged: Document = {
        "pagination": len(rows) > SHOWN,
        "paginationPageSize": SHOWN,
        "paginationPageSizeSelector": [SHOWN, 50, 200],
    }
    body = parts.table(
        "meter-comparisons",
        rows,
        comparison_columns(),
        key="comparison_id",
        options={**paged, **parts.CHOOSE_ONE},
    )
    return parts.section(
        "Ride comparisons",
        body if rows else _none_yet(),
        html.Div(id="meter-ride", **parts.aria(live="polite")),
        name="meter-comparisons",
        note="The meter against its reference, before the reference's own error is taken out. "
        "Choose one to see the ride.",
    )


def _none_yet() -> html.Div:
    return parts.empty(
        "No ride comparison yet.",
        "Ride on a trainer with both recording, then drop the two recordings on the rides page; "
        "or load the means of steady steps as the table “comparisons”.",
    )


def comparison_row(comparison: Document) -> Document:
    """Return one line of the comparisons' table."""
    ratio, zero = comparison.get("gain_ratio_pct"), comparison.get("zero_offset_nm")
    half = _half(comparison, "gain_ratio_interval90_pct", "u_gain_ratio_pct")
    zero_half = _half(comparison, "zero_offset_interval90_nm", "u_zero_offset_nm")
    used = comparison.get("used_s")
    return {
        "comparison_id": comparison["comparison_id"],
        "measured_at": theme.iso(comparison["measured_at"]),
        "reference_id": comparison.get("reference_id"),
        "source": SOURCES.get(str(comparison.get("source")), "steady steps"),
        "gain_ratio_pct": ratio,
        "ratio_text": theme.plus_minus(ratio, half, "%"),
        "zero_offset_nm": zero,
        "zero_text": theme.plus_minus(zero, zero_half, "N·m"),
        "temperature_c": comparison.get("temperature_c"),
        "temperature_text": theme.quantity(comparison.get("temperature_c"), "°C", 0),
        "rider_id": comparison.get("rider_id"),
        "used_min": used / 60 if used is not None else None,
        "used_text": theme.minutes(used) if used is not None else None,
        "void": comparison.get("void"),
    }


def _half(comparison: Document, interval: str, uncertainty: str) -> float | None:
    """Return half of the 90 % interval; of steady steps, by a normal distribution."""
    half = theme.half(comparison.get(interval))
    return theme.half90(comparison.get(uncertainty)) if half is None else half


def comparison_columns() -> list[Document]:
    """Return the columns of the comparisons' table."""
    return [
        parts.day_column("measured_at", "Date"),
        parts.word_column("reference_id", "Against", width=100),
        parts.word_column("source", "From", width=110, since=620),
        parts.number_column("gain_ratio_pct", "Meter − reference, ± 90 %", "ratio_text", width=150),
        parts.number_column("zero_offset_nm", "Zero offset", "zero_text", width=150, since=860),
        parts.number_column("used_min", "Used", "used_text", width=90, since=800),
        parts.number_column("temperature_c", "Air", "temperature_text", width=90, since=1000),
        parts.word_column("rider_id", "Rider", width=80, since=900),
        parts.text_column("void", "Proves nothing, because", flex=1, minWidth=200, since=560),
        parts.word_column("comparison_id", "Comparison", width=130, since=1200),
    ]


def chosen_part(data: Guarded, meter_id: str, comparison_id: str) -> Any:
    """Return one comparison: its ride where recordings are kept, else that there are none."""
    found = [c for c in data.ask(run.comparisons, meter_id) if c["comparison_id"] == comparison_id]
    if not found:
        return no_update
    comparison = found[0]
    title = f"{theme.day(comparison['measured_at'])}, against {comparison['reference_id']}"
    if comparison.get("source") != "recordings":
        said = "This comparison was loaded as means of steady steps: there is no recording to draw."
        return html.Div([html.H3(title), parts.note(said)])
    drawn = data.ask(run.drawn_ride, meter_id, comparison_id)
    return html.Div([html.H3(title), parts.ride_part(comparison, drawn, name="meter-ride")])


def register(app: Dash, data: Guarded) -> None:
    """Draw the comparison that is chosen."""

    @app.callback(
        Output("meter-ride", "children"),
        Input("meter-comparisons", "selectedRows"),
        State("place", "pathname"),
        prevent_initial_call=True,
    )
    def show_ride(chosen: Sequence[Document] | None, pathname: str) -> Any:
        if not chosen:
            return no_update
        return chosen_part(data, meter_of(pathname), chosen[0]["comparison_id"])
