"""The pairs that nobody has decided about yet, and the comparisons that were kept."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View

TITLES = (
    "Date",
    "Meter",
    "Against",
    "Meter − reference, ± 90 %",
    "Used",
    "Proves nothing, because",
)


def waiting_part(pairs: Sequence[Document]) -> html.Section | None:
    """Return the pairs among the loaded recordings that nobody has decided about."""
    if not pairs:
        return None
    return parts.section(
        f"Pairs not looked at yet ({len(pairs)})",
        html.Ul([_waiting(pair) for pair in pairs], className="proposed"),
        name="rides-waiting",
        note="Loaded recordings that overlap in time, one from a meter and one from a reference.",
    )


def _waiting(pair: Document) -> html.Li:
    named = html.B(f"{pair['meter_id']} against {pair['reference_id']}")
    return html.Li(
        [
            html.Div(
                [
                    named,
                    f", {theme.day(pair['measured_at'])}",
                    parts.note(theme.sentence(pair["reason"])),
                ]
            ),
            html.Button(
                "Compare",
                id={"type": "rides-look", "pair": f"{pair['meter']} {pair['reference']}"},
                className="quiet",
                n_clicks=0,
                **parts.aria(label=f"Compare {pair['meter_id']} with {pair['reference_id']}"),
            ),
        ]
    )


def kept_part(view: View, kept: Sequence[Document]) -> html.Section:
    """Return the comparisons that were kept, newest first."""
    if not kept:
        return parts.section("Kept comparisons", _none_kept(), name="rides-kept")
    rows = [_kept_row(view, row) for row in kept]
    return parts.section(
        "Kept comparisons",
        parts.plain_table(TITLES, rows, name="Kept comparisons", numbers=(3, 4)),
        name="rides-kept",
        note="These count in the fleet's numbers. To take one back, undo its import (a file named "
        "pairs) on the intake page.",
    )


def _none_kept() -> html.Div:
    return parts.empty(
        "No comparison of recordings is kept yet.",
        "Ride steady steps from easy to hard on a trainer for twenty minutes or more, with the "
        "meter and the trainer each recorded; then drop both files above.",
    )


def _kept_row(view: View, row: Document) -> tuple[Any, ...]:
    half, void = theme.half(row.get("gain_ratio_interval90_pct")), row.get("void")
    return (
        theme.day(row["measured_at"]),
        parts.meter_link(view, row["meter_id"]),
        row["reference_id"],
        theme.MISSING if void else theme.plus_minus(row.get("gain_ratio_pct"), half, "%"),
        theme.minutes(row.get("used_s") or 0),
        theme.sentence(void),
    )
