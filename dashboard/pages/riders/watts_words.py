"""A meter's status in a coach's words: how far its watts can be taken as they are."""

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document

SHOWN_W = 300  # the power that a gain error is made plain with


def watts_badge(status: object) -> html.Span:
    """Return the status as a badge with the coach's word."""
    known = theme.known_status(status)
    return parts.badge(known, theme.STATUSES[known].watts, meaning(known))


def meaning(status: str) -> str:
    """Return what the coach's word means, and what other pages call the same."""
    shown = theme.STATUSES[status]
    return f"{theme.sentence(shown.watts_meaning)} Other pages call it “{shown.word}”."


def legend() -> html.Details:
    """Return every word with what it means."""
    said = [(shown.watts, meaning(status)) for status, shown in theme.STATUSES.items()]
    return html.Details([html.Summary("What the words mean"), parts.facts(said)])


def reads(row: Document) -> str:
    """Return what the meter shows of 300 W: 306 ± 2 W."""
    value, half = row.get("gain_error_pct"), theme.half(row.get("interval90_pct"))
    if value is None:
        return theme.MISSING
    per_pct = SHOWN_W / 100
    shown = theme.number(SHOWN_W + per_pct * value, 0)
    if half is not None:
        shown = f"{shown} {theme.within(per_pct * half, 0)}"
    return theme.with_unit(shown, "W")
