"""A meter's status in a coach's words: how far its watts can be taken as they are."""

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document

SHOWN_W = 300  # the power that a gain error is made plain with
BESIDE_THE_SENSOR = {
    "out": "The sensor may be right, but legs, ring or chain take what it shows out of "
    "tolerance: use the rider's watts.",
    "due": "The sensor may be right, but what legs, ring or chain add is not known well enough: "
    "compare rides on this one meter, or use the rider's watts.",
}


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


def watts_status(row: Document) -> str:
    """Return the status of what a meter shows of its rider's watts, else the meter's own."""
    return theme.known_status(row.get("watts_status") or row.get("status"))


def what_to_make_of(row: Document) -> str:
    """Return what a coach makes of a meter's watts, and whether sensor or rider is the reason."""
    status = watts_status(row)
    if status == theme.known_status(row.get("status")):
        return theme.sentence(theme.STATUSES[status].watts_meaning)
    return BESIDE_THE_SENSOR[status]


def reads(row: Document) -> str:
    """Return what the meter shows of 300 W of its rider: 306 ± 2 W."""
    shown, half = row.get("shown_w"), theme.half(row.get("interval90_w"))
    if shown is None:
        return theme.MISSING
    told = theme.number(shown, 0)
    return theme.with_unit(told if half is None else f"{told} {theme.within(half, 0)}", "W")
