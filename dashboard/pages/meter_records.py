"""A meter's other records: changes of the slope, events, ride comparisons."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import figure_rules, theme
from dashboard.pages import Document


def resets_part(resets: list[Document]) -> html.Section:
    if not resets:
        body: Any = html.P("The slope has not been changed.", className="note")
    else:
        titles = ("Date", "Slope", "Change of the gain error", "Recorded")
        body = parts.plain_table(
            titles, [_reset_row(r) for r in reversed(resets)], name="Changes of the slope"
        )
    return parts.section("Changes of the slope", body, name="meter-resets")


def _reset_row(reset: Document) -> html.Tr:
    recorded = "yes"
    if reset.get("recorded") is False:
        recorded = f"no: between {theme.day(reset.get('earliest'))} and "
        recorded += f"{theme.day(reset.get('latest'))}"
    return html.Tr(
        [
            html.Td(theme.day(reset["date"])),
            html.Td(
                figure_rules.reset_text(reset).removeprefix("slope ").removesuffix(", unrecorded")
            ),
            html.Td(theme.percent(reset.get("step_pct"))),
            html.Td(recorded),
        ]
    )


def events_part(events: list[Document]) -> html.Section | None:
    shown = [e for e in events if e.get("state") != "rejected"]
    if not shown:
        return None
    rows = [
        html.Tr(
            [
                html.Td(theme.day(e["date"])),
                html.Td(theme.words(e["event"])),
                html.Td(", ".join(str(e[k]) for k in ("side", "note") if e.get(k))),
                html.Td(theme.words(e["state"]) if e.get("state") else "confirmed"),
            ]
        )
        for e in sorted(shown, key=lambda e: str(e["date"]), reverse=True)
    ]
    return parts.section(
        "Batteries, strikes and other events",
        parts.plain_table(("Date", "Event", "Note", "State"), rows, name="Events"),
        name="meter-events",
    )


def comparisons_part(comparisons: list[Document]) -> html.Section:
    if not comparisons:
        body: Any = parts.empty(
            "No ride comparison yet.",
            "Ride steady steps on a trainer with both recording, and load the table “comparisons”.",
        )
    else:
        rows = [comparison_row(c) for c in comparisons]
        body = parts.table(
            "meter-comparisons",
            rows,
            comparison_columns(),
            key="comparison_id",
            options={"pagination": len(rows) > 12, "paginationPageSize": 12}
            | {"paginationPageSizeSelector": [12, 50, 200]},
        )
    return parts.section(
        "Ride comparisons",
        body,
        name="meter-comparisons",
        note="The meter against its reference, before the reference's own error is taken out.",
    )


def comparison_row(comparison: Document) -> Document:
    """One line of the comparisons' table."""
    ratio, zero = comparison.get("gain_ratio_pct"), comparison.get("zero_offset_nm")
    half = theme.half90(comparison.get("u_gain_ratio_pct"))
    zero_half = theme.half90(comparison.get("u_zero_offset_nm"))
    used = comparison.get("used_s")
    return {
        "comparison_id": comparison["comparison_id"],
        "measured_at": theme.iso(comparison["measured_at"]),
        "reference_id": comparison.get("reference_id"),
        "gain_ratio_pct": ratio,
        "ratio_text": theme.plus_minus(ratio, half, "%"),
        "zero_offset_nm": zero,
        "zero_text": theme.plus_minus(zero, zero_half, "N·m"),
        "temperature_c": comparison.get("temperature_c"),
        "temperature_text": f"{theme.number(comparison.get('temperature_c'), 0)}{theme.NBSP}°C",
        "rider_id": comparison.get("rider_id"),
        "used_min": used / 60 if used is not None else None,
        "used_text": f"{theme.number(used / 60, 0)}{theme.NBSP}min" if used is not None else None,
        "void": comparison.get("void"),
    }


def comparison_columns() -> list[Document]:
    """The comparisons' table."""
    return [
        parts.day_column("measured_at", "Date"),
        parts.text_column("reference_id", "Against", width=100),
        parts.number_column("gain_ratio_pct", "Meter − reference, ± 90 %", "ratio_text", width=150),
        parts.number_column("zero_offset_nm", "Zero offset", "zero_text", width=150, since=700),
        parts.number_column("used_min", "Used", "used_text", width=90, since=800),
        parts.number_column("temperature_c", "Air", "temperature_text", width=90, since=1000),
        parts.text_column("rider_id", "Rider", width=80, since=900),
        parts.text_column("void", "Proves nothing, because", flex=1, minWidth=200, since=560),
        parts.text_column("comparison_id", "Comparison", width=130, since=1200),
    ]
