"""What a coach is told about a rider's meters, and the button that says it was noted."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View

LOOKED_FOR = (
    "Looked for in the last year, and not found: a slope changed, another meter on a bike, a "
    "changed setting, a battery that moved a meter, a step that nobody recorded, a jump of a zero. "
    "What no bench session, comparison or zero has shown yet cannot be known here."
)


def notices_part(view: View, notices: Sequence[Document]) -> html.Section:
    """Return the notices of the last year; without any, what was looked for."""
    body: Any = html.P(LOOKED_FOR)
    if notices:
        body = html.Ul([_notice(view, row) for row in notices], className="rider-notices")
    return parts.section(
        f"Notices ({len(notices)})",
        body,
        name="rider-notices",
        note="What happened in the last year that spoils a comparison of watts."
        if notices
        else None,
    )


def _notice(view: View, row: Document) -> html.Li:
    meter = row.get("meter_id")
    way: list[Any] = [" ", parts.meter_link(view, meter)] if meter else []
    return html.Li([html.Span([theme.prose(row["text"]), *way]), _noted(row)])


def _noted(row: Document) -> Any:
    """Return who has noted it, else the button to do so."""
    seen = row.get("acknowledged_by")
    if seen:
        return html.Span(
            f"noted by {seen}, {theme.day(row['acknowledged_at'])}", className="quiet-words"
        )
    return html.Button(
        "Mark as noted",
        className="quiet notice-seen",
        n_clicks=0,
        **parts.facts_of(notice=row["notice_id"]),
        **parts.aria(label=f"Mark the notice of {theme.day(row['from_date'])} as noted"),
    )
